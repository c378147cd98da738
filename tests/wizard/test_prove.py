"""Prove: counts, reply times, stopping and going on."""

from __future__ import annotations

from busprobe.job import Job, UnitRecord
from busprobe.session import Session
from tests.wizard.conftest import Wizard


async def test_a_sound_bus_is_proven_with_counts_times_and_what_they_prove(wizard: Wizard, job: Job) -> None:
    """Every poll is counted as OK, the plot is drawn, and the error rate is bounded, never called zero."""
    for address in (11, 12):
        job.put_unit(UnitRecord(address, "9600-8N1", profile="aldermoor-at-10"))
    async with wizard("clean", step=6) as person:
        await person.press("s")
        await person.wait()
        assert "20 rounds, 40 polls" in person.screen
        assert "11 9600-8N1   20    20    -      -    -    -     -     -" in person.screen
        assert "█" in person.screen
        assert "with 95 %" in person.screen
        assert person.states[5] == "✓ done"
    proof = job.latest("prove")
    assert proof is not None
    assert proof.document["failed"] == 0
    assert proof.document["polls"] == 40


async def test_a_unit_that_is_not_there_is_counted_as_silent_and_marked(wizard: Wizard, job: Job) -> None:
    """An absent unit counts under Silent with its sign, an x in the plot, and the step asks for attention."""
    job.put_unit(UnitRecord(99, "9600-8N1"))
    async with wizard("clean", step=6) as person:
        person.fill("#prove-rounds", "3")
        await person.press("s")
        await person.wait()
        assert "99 9600-8N1   3     -     ! 3" in person.screen
        assert "│xxx" in person.screen
        assert person.states[5] == "! check"


async def test_a_stopped_run_goes_on_with_its_counts(wizard: Wizard, paced: Session, job: Job) -> None:
    """x stops; s goes on to the rounds asked for, and the counts before are kept."""
    job.put_unit(UnitRecord(11, "9600-8N1"))
    async with wizard("clean", step=6, using=paced) as person:
        person.fill("#prove-rounds", "200000")
        await person.press("s")
        await person.strike("x")
        await person.wait()
        assert "Press s to go on with this run" in person.next_line
        stopped = job.latest("prove")
        assert stopped is not None
        person.fill("#prove-rounds", str(stopped.document["rounds"] + 5))
        await person.press("s")
        await person.wait()
        done = job.latest("prove")
        assert done is not None
        assert done.document["complete"]
        assert done.document["polls"] >= stopped.document["polls"] + 4


async def test_nothing_to_poll_is_said(wizard: Wizard) -> None:
    """Without units the run does not start; the screen says what to do first."""
    async with wizard("clean", step=6) as person:
        assert "Survey first, step 3." in person.next_line
        await person.press("s")
        await person.wait()
        assert "There is no unit to poll." in person.screen

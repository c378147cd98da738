"""Prove: counts, reply times, stopping and going on."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from textual.widgets import Input

from busprobe.job import Job, UnitRecord
from busprobe.job.endurance_bound import EnduranceBound, keep_bound
from busprobe.job.intervals import Intervals, kept_intervals
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.session.session import Session
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.step import StepState
from busprobe.wizard.prove.step import ProveStep
from busprobe.wizard.prove.words import counted, in_milliseconds, marked, standing
from tests.wizard.conftest import Wizard


@pytest.mark.parametrize(
    ("count", "plain", "sign"),
    [
        (999, "999", "! 999"),
        (1_000, "1000", "!1000"),
        (99_999, "99999", "!99k"),
        (100_000, "100k", "!100k"),
        (2_999_999, "2.9M", "!2M"),
    ],
)
def test_a_count_never_runs_into_the_next_column(count: int, plain: str, sign: str) -> None:
    """Five characters at most; what is cut off is never rounded up."""
    assert (counted(count), marked(count)) == (plain, sign)


async def test_a_sound_bus_is_proven_with_counts_times_and_what_they_prove(
    wizard: Wizard, job: Job
) -> None:
    """Every poll is counted as OK, the plot is drawn, and the error rate is bounded, never called
    zero."""
    for address in (11, 12):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1"), profile="aldermoor-at-10"))
    async with wizard("clean", step=6) as person:
        keep_bound(job, EnduranceBound(minutes=0.01))
        person.fill("#prove-rounds", "20")
        person.fill("#prove-percent", "14")  # 1 - 0.05^(1/20) is 13.9 %
        await person.press("s")
        await person.wait()
        assert "20 rounds, 40 polls" in person.screen
        assert "11 9600-8N1 20 20 - - - - - -" in person.words
        assert "█" in person.screen
        assert "with 95 %" in person.screen
        assert person.states[5] == "✓ done"
    proof = job.latest("prove")
    assert proof is not None
    assert proof.document["failed"] == 0
    assert proof.document["polls"] == 40


async def test_a_unit_that_is_not_there_is_counted_as_silent_and_marked(
    wizard: Wizard, job: Job
) -> None:
    """An absent unit counts under Silent with its sign, an x in the plot, and the step asks for
    attention."""
    job.put_unit(UnitRecord(Place.parse("99 9600-8N1")))
    async with wizard("clean", step=6) as person:
        person.fill("#prove-rounds", "3")
        await person.press("s")
        await person.wait()
        assert "99 9600-8N1 3 - ! 3" in person.words
        assert "│xxx" in person.screen
        assert person.states[5] == "! check"


async def test_all_that_a_run_showed_can_be_read_where_the_screen_is_small(
    wizard: Wizard, job: Job
) -> None:
    """On a full bus no column is cut off by the scroll bars, and what has no room below the plot
    opens with f."""
    for address in range(100, 132):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1")))
    async with wizard("clean", step=6) as person:
        await person.press("e")
        assert "Nothing was polled yet" in person.screen
        await person.press("escape")
        person.fill("#prove-rounds", "1")
        await person.press("s")
        await person.wait()
        assert "Median ms Max ms" in person.words
        assert "Not one poll was answered" not in person.screen
        await person.press("e")
        assert "Not one poll was answered" in person.screen


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [(None, "-"), (0.01234, "12.3"), (0.09994, "99.9"), (0.09996, "100"), (3.0009, "3001")],
)
def test_a_reply_time_never_runs_out_of_its_column(seconds: float | None, shown: str) -> None:
    assert in_milliseconds(seconds) == shown


async def test_a_stopped_run_goes_on_with_its_counts(
    wizard: Wizard, paced: Session, job: Job
) -> None:
    """x stops; s goes on to the rounds asked for, and the counts before are kept."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    async with wizard("clean", step=6, using=paced) as person:
        person.fill("#prove-rounds", "200000")
        await person.strike("s")
        await person.wait_for("▸ r. ")
        await person.strike("x")
        await person.wait()
        assert "Enter go on with this run" in person.next_line
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
        assert "Enter go to Survey (3). No unit is known yet." in person.next_line
        for nonsense in ("-", "0", "-3"):
            person.fill("#prove-rounds", nonsense)
            await person.press("s")
            assert "That did not work" not in person.screen, "it is not even begun"
        person.fill("#prove-rounds", "5")
        await person.press("s")
        await person.wait()
        assert "There is no unit to poll." in person.screen


async def test_the_polling_table_says_its_cycle_is_tried_and_follows_how_often_values_are_wanted(
    wizard: Wizard, job: Job
) -> None:
    """p shows the requests; e keeps how often in the job; t measures the cycle; a slip of the
    finger is said."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1"), profile="aldermoor-at-10"))
    async with wizard("clean", step=6) as person:
        await person.press("c")
        assert "Temperature, Humidity" in person.screen
        assert "Poll interval not set: every 10 s is taken." in person.screen
        assert "not yet tried" in person.screen
        await person.press("t")
        await person.write("soon")
        await person.press("enter")
        assert "'soon' is no interval." in person.screen
        await person.press("ctrl+u", "2", "enter")
        assert "Values are wanted every 2 s." in person.screen
        await person.press("enter", "ctrl+u", "1", "ctrl+s")
        assert "1 of 2 values at intervals of their own" in " ".join(person.screen.split())
        await person.press("s")
        await person.wait()
        assert "Tried: 0 of 20 polls failed." in person.screen
        assert "ms measured" in person.screen
        person.app.session.line.close()
        await person.press("s")
        await person.wait()
        assert "Plug the adapter in, then press s." in person.screen
        await person.press("s")
        await person.wait()
        assert "Tried: 0 of 20 polls failed." in person.screen, "the port is opened again"
        await person.press("escape")
        assert person.states[5] == "· to do", "a trial is no endurance run"
    assert kept_intervals(job) == Intervals(2.0, {("aldermoor-at-10", "Temperature"): 1.0})


async def test_after_a_run_the_master_is_advised_and_the_plot_changes(
    wizard: Wizard, job: Job
) -> None:
    """a gives numbers with reasons; v goes round the three plots."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    job.put_unit(UnitRecord(Place.parse("99 9600-8N1")))
    async with wizard("clean", step=6) as person:
        await person.press("f6")
        assert "No reply time is measured yet" in person.screen
        await person.press("escape")
        person.fill("#prove-rounds", "3")
        await person.press("s")
        await person.wait()
        assert "replies in ms" in person.screen
        step = person.app.query_one(ProveStep)
        step.action_new()
        assert not step.query_one("#tallies", RowTable).row_count, (
            "counts of the last run are not those of this one"
        )
        await person.wait()
        await person.press("g")
        assert "spread in ms" in person.screen
        await person.press("g")
        assert re.search(r"99 9600-8N1 +│[·1]*1[·1]*$", person.screen, re.MULTILINE)
        assert not re.search(r"11 9600-8N1 +│", person.screen)
        await person.press("g")
        assert "replies in ms" in person.screen
        await person.press("f6")
        assert "response timeout: 200 ms" in person.screen


async def test_a_pulled_adapter_is_said_and_the_run_goes_on_when_it_is_back(
    wizard: Wizard, job: Job
) -> None:
    """The run that lost its port is kept; s opens the port again and counts on."""
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    cut = Proof((), 1.0, 0.5, 0.0, rounds=4, asked_rounds=10, interruption="adapter lost")
    tally = UnitTally(Place(11, LineSettings.parse("9600-8N1")), {Verdict.OK: 4})
    job.record("prove", proof_document(replace(cut, units=(tally,))))
    async with wizard("clean", step=6) as person:
        person.app.session.line.close()
        await person.press("s")
        await person.wait()
        assert "That did not work" in person.screen
        await person.press("escape")
        assert "Enter go on with this run. Plug the adapter in first" in person.next_line
        await person.press("enter")
        await person.wait()
        assert "10 rounds, 10 polls" in person.screen
    assert len(job.records("prove")) == 1


def _run_over(*places: str, polls: int, failed: int = 0, complete: bool = True) -> Proof:
    verdicts = {Verdict.OK: polls - failed, Verdict.SILENT: failed}
    return Proof(
        tuple(UnitTally(Place.parse(place), verdicts) for place in places),
        reply_wait=1.0,
        late_wait=0.5,
        pause=0.0,
        seconds=900.0,
        rounds=polls,
        complete=complete,
    )


_TWO = (UnitRecord(Place.parse("11 9600-8N1")), UnitRecord(Place.parse("12 9600-8N1")))


@pytest.mark.parametrize(
    ("units", "proof", "state", "said"),
    [
        ((), None, StepState.TO_DO, "No unit is known"),
        (_TWO, None, StepState.TO_DO, "poll all units"),
        (_TWO, _run_over("11 9600-8N1", polls=600), StepState.CHECK, "1 of 2 units were polled"),
        (
            _TWO,
            _run_over("11 9600-8N1", "13 9600-8N1", polls=600),
            StepState.CHECK,
            "1 of 2 units were polled",
        ),
        (
            _TWO,
            _run_over("11 9600-8N1", "12 9600-8N1", polls=70),
            StepState.DOING,
            "At most 4.2 % in 15.0 min, wanted 0.5 %",
        ),
        (
            (*_TWO, UnitRecord(Place.parse("1 9600-8N1"), kind=EntryKind.CLASH)),
            _run_over("11 9600-8N1", "12 9600-8N1", polls=300),
            StepState.CHECK,
            "not one clear unit: 1",
        ),
        (
            _TWO,
            _run_over("11 9600-8N1", "12 9600-8N1", polls=300, failed=1),
            StepState.CHECK,
            "marked counts",
        ),
        (
            _TWO,
            _run_over("11 9600-8N1", "12 9600-8N1", polls=300, complete=False),
            StepState.DOING,
            "go on with this run",
        ),
        (_TWO, _run_over("11 9600-8N1", "12 9600-8N1", polls=598), StepState.DONE, "Hand over"),
        (_TWO, _run_over("11 9600-8N1", "12 9600-8N1", polls=597), StepState.DOING, "run longer"),
        (
            _TWO,
            replace(_run_over("11 9600-8N1", "12 9600-8N1", polls=598), seconds=9.0),
            StepState.DOING,
            "in 0.1 min, wanted 0.5 % in 15 min",
        ),
    ],
)
def test_it_is_done_when_every_unit_was_polled_and_the_wanted_rate_is_proven(
    units: tuple[UnitRecord, ...], proof: Proof | None, state: StepState, said: str
) -> None:
    """598 polls of a unit without an error prove 0.5 % (1 - 0.05^(1/598) = 0.4997 %), 597 do
    not."""
    stands, words, proposed = standing(units, proof, EnduranceBound())
    assert stands is state
    assert said in f"{proposed.label}. {words}"


async def test_the_time_proposed_is_what_was_agreed_and_enough_for_the_error_rate(
    wizard: Wizard, job: Job
) -> None:
    """As long as was agreed; once a cycle is known, longer where another rate needs more polls.
    What was typed stays, and the rate is kept in the job."""
    for address in (11, 12):
        job.put_unit(UnitRecord(Place.parse(f"{address} 9600-8N1")))
    keep_bound(job, EnduranceBound(5.0, 0.1))
    async with wizard("clean", step=6) as person:
        minutes = person.app.query_one("#prove-minutes", Input)
        assert minutes.value == "0.1"
        await person.press("s")
        await person.wait()
        assert "2 of 2 units polled; at most" in person.screen
        assert person.states[5] == "✓ done"
        person.fill("#prove-percent", "2")
        await person.look()
        assert person.states[5] == "▸ doing"
        assert float(minutes.value) > 0.1
        await person.press("n")
        await person.wait()
        assert person.states[5] == "✓ done", "149 polls a unit prove 2 %"
        person.fill("#prove-minutes", "7")
        person.fill("#prove-percent", "1")
        await person.look()
        assert minutes.value == "7"
    async with wizard(step=6) as person:
        assert person.app.query_one("#prove-percent", Input).value == "1"


async def test_found_units_alone_begin_neither_prove_nor_hand_over(
    wizard: Wizard, job: Job
) -> None:
    job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    async with wizard(step=6) as person:
        assert person.states[5:] == ["· to do", "· to do"]

"""The box on the screen: each phase has its words and its seconds, and says how far the box is."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

import pytest

from busprobe.errors import FileError, Mistake
from busprobe.job import Job
from busprobe.job.journal import Row
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.readdress.box_progress import Phase, Working
from busprobe.readdress.one_by_one import (
    BoxEvent,
    BoxFinished,
    BoxRefused,
    Lost,
    Moved,
    Target,
    Waiting,
)
from busprobe.readdress.outcome import NotStored, Outcome, outcome_unseen
from busprobe.readdress.procedure import Move, Procedure
from busprobe.session.session import Session
from busprobe.wizard.readdress.box_screen import BoxScreen
from busprobe.wizard.readdress.words import progress_words
from tests.wizard.conftest import Wizard
from tests.wizard.person import Person
from tests.wizard.readdress.test_step import flat


def outcome(row: Row = Row.CHANGED) -> Outcome:
    here = Place.parse("1 9600-8N1")
    move = Move(here, Place(11, here.settings), Procedure(257))
    return outcome_unseen(move, row)


def working(phase: Phase, until: float, done: int = 7, left: float | None = 540.0) -> Working:
    return Working(phase, 11, until, done, 24, left)


@pytest.mark.parametrize(
    ("on", "seconds", "words"),
    [
        (
            working(Phase.GUARDS, 0),
            11.2,
            "checking 3 of 5, 12 s; 7 of 24 done, about 9 min left",
        ),
        (working(Phase.GUARDS, 0), -1.0, "checking 3 of 5, a little longer; 7 of 24 done, about 9"),
        (working(Phase.FREE, 0, 7, 20.0), None, "7 of 24 done, about 1 min left"),
        (working(Phase.FREE, 0, 0, None), 3.0, "checking 1 of 5, 3 s; 0 of 24 done"),
        (Working(Phase.WRITE, 11, 0, 7, None, None), 3.0, "checking 5 of 5, 3 s; 7 done"),
    ],
)
def test_how_far_a_box_is(on: Working, seconds: float | None, words: str) -> None:
    assert progress_words(on, on.done, seconds).startswith(words)


Tell = Callable[[BoxEvent | Working | None], Awaitable[None]]


async def show(person: Person, clock: VirtualClock) -> Tell:
    screen = BoxScreen(clock, lambda: None, lambda: None)
    await person.app.push_screen(screen)

    async def tell(step: BoxEvent | Working | None) -> None:
        if step is None or isinstance(step, Working):
            screen.post_message(BoxScreen.Worked(step))
        else:
            screen.post_message(BoxScreen.Told(step))
        await person.look()

    return tell


async def test_each_phase_has_its_words_and_seconds(wizard: Wizard) -> None:
    clock = VirtualClock()
    async with wizard("box", step=5) as person:
        tell = await show(person, clock)
        await tell(Waiting(Target(11, "TE-1"), 1))
        await tell(working(Phase.FREE, 14.0))
        assert "checking 1 of 5, 14 s; 0 of 24 done, about 9 min left" in person.screen
        assert "Connect the next unit for TE-1." in flat(person)
        await tell(None)
        assert "checking" not in person.screen
        for phase, words in (
            (Phase.IDENTIFY, "it is asked what it is"),
            (Phase.GUARDS, "this unit answers alone"),
            (Phase.AGAIN, "both addresses are asked once more"),
            (Phase.WRITE, "its address is written"),
        ):
            await tell(working(phase, clock.now() + 5))
            assert f"checking {int(phase)} of 5, 5 s" in person.screen
            assert words in flat(person)
            assert "one answers, cleanly" not in flat(person)
        clock.sleep_until(3.0)
        await person.wait_for("checking 5 of 5, 2 s")
        await tell(BoxRefused(Target(11), "It is gone.", "Look for it."))
        assert "It is gone. Look for it." in flat(person)


async def test_the_label_stays_until_the_next_unit_is_waited_for(wizard: Wizard) -> None:
    async with wizard("box", step=5) as person:
        tell = await show(person, VirtualClock())
        await tell(Moved(Target(11), outcome(), "TE-1\nUnit address 11 (0x0B)"))
        await tell(Waiting(Target(12, "TE-2"), 1))
        assert "Label it: TE-1 / Unit address 11 (0x0B)." in flat(person)
        assert "Connect the next unit for TE-2." in flat(person)


async def test_a_lost_unit_is_asked_for_by_its_addresses(wizard: Wizard) -> None:
    async with wizard("box", step=5) as person:
        tell = await show(person, VirtualClock())
        await tell(Lost(Target(11), outcome(Row.NEITHER)))
        assert "Connect the same unit again, and no other: at 11 (0x0B) it is seen." in flat(person)


async def test_what_the_journal_could_not_take_is_asked_about_after_the_box(
    wizard: Wizard, session: Session, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = FileError(str(job.path), [Mistake("", "the disk is full")], kind="job file")
    stuck = Outcome(**{**vars(outcome()), "not_stored": NotStored((1,), error)})

    def full(*_: object, **__: object) -> object:
        yield Moved(Target(11), stuck, "label")
        yield BoxFinished((), "The last move is not in the journal.", stuck)

    monkeypatch.setattr("busprobe.session.moves.BusMoves.one_by_one", full)
    async with wizard("box", step=5) as person:
        await person.press("b", "ctrl+s")
        await person.wait_for("Not stored")
        assert "the disk is full" in flat(person)

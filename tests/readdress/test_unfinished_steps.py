"""What a kill, a lost reply or a pulled adapter leaves of a procedure is named, and can be sent."""

from __future__ import annotations

from threading import Event
from typing import Any

import pytest

from busprobe.errors import RefusedError, StoppedError
from busprobe.job.journal import Row
from busprobe.readdress.journal import recorded_outcome
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.recovery import recover
from busprobe.readdress.unfinished_steps import (
    UnfinishedSteps,
    prepare_rest,
    send_rest,
    unfinished_steps,
)
from busprobe.readdress.words import write_words
from tests.readdress.bench import (
    ADDRESS_REGISTER,
    RELOCK,
    SAVE,
    UNLOCK,
    Bench,
    Book,
    FakeUnit,
    line_to,
    move,
    yes,
)
from tests.readdress.segment import MOVES
from tests.readdress.test_recovery import unfinished
from tests.readdress.test_recovery_on_segment import left_by_a_kill, prepared_for


def left_open(book: Book) -> tuple[UnfinishedSteps, ...]:
    return unfinished_steps(book.writes)


@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("name", ["lk-2, address", "hp-4, address", "iv-6, address", "lk-2, 19200"])
def test_after_a_kill_at_any_write_what_is_left_is_named_and_sent_and_then_nothing_is(
    name: str, moment: str
) -> None:
    """The unit is locked again then; and where it has its new place, it keeps it over a power
    cycle."""
    _, the_move = MOVES[name]
    _, _, writes = prepared_for(name)
    named = set()
    for number, on, book in left_by_a_kill(name, moment, writes):
        assert left_open(book) == ()  # first it has to be asked where the unit is
        recover(on.reopened(), unfinished(book), book)
        at = on.place
        for left in left_open(book):
            assert left.place == at
            named |= {str(step.role) for step in left.steps}
            line = on.reopened()
            outcome = send_rest(line, prepare_rest(line, left), book, yes)
            assert outcome.row is Row.FINISHED, outcome.why
        assert left_open(book) == ()
        assert not on.unit.setup.unlocked
        assert on.place == at
        if at == the_move.target:
            on.segment.power_cycle()
            assert on.place == the_move.target, number
    how = the_move.procedure
    assert named == {
        role
        for role, write in (("save", how.save), ("relock", how.relock))
        if write and role in named
    }
    assert named, "no kill left anything open"
    if how.relock:
        assert "relock" in named


LOCKED = Procedure(ADDRESS_REGISTER, unlock=UNLOCK, save=SAVE, relock=RELOCK, profile="bench-unit")


class Interrupted:
    """A unit at its new address whose save was never acknowledged, so that neither save nor relock
    is done."""

    def __init__(self, **unit: Any) -> None:
        self.bench, self.book = Bench(FakeUnit(1, password=4711, saves=True, **unit)), Book()
        self.line = line_to(self.bench)
        self.bench.mangle = lambda data: (
            b"" if data[1:2] == b"\x10" and data[2:4] == b"\x00\xc9" else data
        )
        outcome = execute(self.line, prepare(self.line, move(procedure=LOCKED)), self.book, yes)
        assert outcome.row is Row.CHANGED
        assert "'save' was not acknowledged" in outcome.why
        self.bench.mangle = lambda data: data

    @property
    def left(self) -> UnfinishedSteps:
        (left,) = left_open(self.book)
        return left

    def finish(self, confirm: Any = yes, stop: Event | None = None) -> Outcome:
        return send_rest(
            self.line, prepare_rest(self.line, self.left), self.book, confirm, stop=stop
        )


def test_a_lost_acknowledgement_leaves_the_steps_open_in_words() -> None:
    here = Interrupted()
    assert here.left.names == "save, relock"
    assert (
        here.left.words
        == "Not done at unit address 12 (0x0C) at 9600-8N1: save, relock.  The address is not"
        " stored for sure and may be lost with the supply; the unit may still be unlocked."
    )


def test_everything_is_shown_and_nothing_sent_without_a_yes() -> None:
    here, shown = Interrupted(), list[Prepared]()

    def no(prepared: Prepared) -> bool:
        shown.append(prepared)
        return False

    before = list(here.bench.writes)
    assert here.finish(no).row is Row.NOT_CONFIRMED
    assert here.bench.writes == before
    assert [step.request.address for step in shown[0].steps] == [12, 12]
    assert (
        shown[0].expectation
        == "The unit should go on answering at unit address 12 (0x0C) at 9600-8N1, and store what"
        " it has now and be locked again."
    )
    stopped = Event()
    stopped.set()
    with pytest.raises(StoppedError):
        here.finish(stop=stopped)
    assert here.bench.writes == before


def test_what_is_sent_is_on_record_and_acknowledged() -> None:
    here = Interrupted()
    outcome = here.finish()
    assert (
        outcome.why
        == "What was left of the procedure is done: save, relock.  The unit answers alone at unit"
        " address 12 (0x0C) at 9600-8N1."
    )
    assert [write_words(write) for write in here.book.writes] == [
        "unlock",
        "readdress",
        "save",
        "save",
        "relock",
    ]
    assert [write.outcome for write in here.book.writes[-2:]] == ["acknowledged", "acknowledged"]
    assert here.bench.units[0].locked


def test_nothing_is_sent_where_two_answer() -> None:
    here = Interrupted()
    here.bench.units.append(FakeUnit(1))
    before = list(here.bench.writes)
    with pytest.raises(RefusedError, match="would reach nobody, or not this unit alone"):
        here.finish()
    assert here.bench.writes == before


def test_a_unit_that_fell_back_is_only_locked_since_nothing_new_is_left_to_be_stored() -> None:
    here = Interrupted(volatile=True)
    left = here.left
    here.bench.units[0].power_cycle()
    prepared = prepare_rest(here.line, left)
    assert [(str(step.role), step.request.address) for step in prepared.steps] == [("relock", 1)]


def test_a_power_cycle_that_shows_the_address_kept_settles_the_save() -> None:
    here = Interrupted()
    here.bench.units[0].power_cycle()
    after = verify_again(here.line, recorded_outcome(here.book.writes[1]), journal=here.book)
    assert after.row is Row.KEPT
    assert here.left.names == "relock"


def test_a_new_move_of_the_unit_takes_over_what_was_left() -> None:
    here = Interrupted()
    here.bench.units[0].locked = True
    again = move(12, 30, procedure=LOCKED)
    assert execute(here.line, prepare(here.line, again), here.book, yes).row is Row.CHANGED
    assert left_open(here.book) == ()


def test_a_step_that_is_still_not_acknowledged_is_said_and_stays_open() -> None:
    here = Interrupted()
    here.bench.mangle = lambda data: b"" if data[1:2] == b"\x10" else data
    outcome = here.finish()
    assert outcome.row is Row.NOT_FINISHED
    assert "'save' was not acknowledged" in outcome.why
    assert here.left.names == "save, relock"

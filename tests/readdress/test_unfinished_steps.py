"""What a kill, a lost reply or a pulled adapter leaves of a procedure is named, and can be sent."""

from __future__ import annotations

from dataclasses import replace
from threading import Event
from typing import Any

import pytest

from busprobe.errors import RefusedError, StoppedError
from busprobe.job.journal import Row
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.readdress.journal import recorded_outcome
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.recovery import recover
from busprobe.readdress.unfinished_steps import (
    UnfinishedSteps,
    prepare_rest,
    unfinished_steps,
)
from busprobe.readdress.words import write_words
from busprobe.survey.close_look import CLOSE_LOOK
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
    unplugged,
    yes,
)
from tests.readdress.segment import MOVES, NEW, OLD, address_move, stage
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
        (main,) = [write for write in book.writes if write.role.moves][:1] or (None,)
        if main is not None and main.row is Row.PENDING:
            assert "save" in left_open(book)[0].names
            at = the_move.target  # the save takes it there
        for left in left_open(book):
            assert left.place == on.place
            named |= {str(step.role) for step in left.steps}
            line = on.reopened()
            outcome = execute(line, prepare_rest(line, left), book, yes)
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
        return execute(self.line, prepare_rest(self.line, self.left), self.book, confirm, stop=stop)


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
    with pytest.raises(RefusedError, match="would reach no unit, or not this unit alone"):
        here.finish()
    assert here.bench.writes == before


def test_nothing_is_sent_where_another_was_connected_since() -> None:
    here = Interrupted()
    before = list(here.bench.writes)

    def connected(_: Prepared) -> bool:
        here.bench.units.append(FakeUnit(1))
        return True

    assert here.finish(connected).row is Row.GUARD
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


# -- an unlock that nothing locks again

NEVER_LOCKED = Procedure(ADDRESS_REGISTER, unlock=UNLOCK, profile="bench-unit")


def unlocked(procedure: Procedure = NEVER_LOCKED) -> tuple[Bench, Book, Outcome]:
    """A unit that was moved with an unlock, and stays so."""
    bench, book = Bench(FakeUnit(1, password=4711)), Book()
    line = line_to(bench)
    outcome = execute(line, prepare(line, move(procedure=procedure)), book, yes)
    assert not bench.units[0].locked
    return bench, book, outcome


def test_an_unlock_is_an_open_step_where_no_write_locks_again() -> None:
    bench, book, outcome = unlocked()
    assert outcome.row is Row.CHANGED
    (left,) = left_open(book)
    assert (left.steps, left.names, left.place.address) == ((), "lock again", 12)
    assert "until it is switched off and on" in left.words
    with pytest.raises(RefusedError, match="No write is known that locks"):
        prepare_rest(line_to(bench), left)


def test_an_unlock_that_was_cut_off_before_the_write_is_an_open_step() -> None:
    bench, book = Bench(FakeUnit(1, password=4711)), Book()
    line = line_to(bench)
    prepared = prepare(line, move(procedure=NEVER_LOCKED))

    def cut_off(frame: bytes) -> None:
        if frame[1] == 16 and frame[2:4] == ADDRESS_REGISTER.to_bytes(2, "big"):
            unplugged(frame)

    bench.before_send = cut_off
    assert execute(line, prepared, book, yes).row is Row.PORT_FAILED
    bench.before_send = lambda _: None
    recover(line, unfinished(book), book)
    (left,) = left_open(book)
    assert (left.steps, left.place.address) == ((), 1)
    assert left.unlock is not None


def test_a_power_cycle_that_was_told_of_settles_it() -> None:
    bench, book, outcome = unlocked()
    bench.units[0].power_cycle()
    after = verify_again(line_to(bench), outcome, journal=book)
    assert after.row is Row.KEPT
    assert left_open(book) == ()


def test_a_window_of_the_profile_is_on_record_and_settles_it_once_it_is_over() -> None:
    _, book, _ = unlocked(replace(NEVER_LOCKED, unlock_window_s=600))
    book.writes[:] = [replace(w, intended="2026-01-01T10:00:00+00:00") for w in book.writes]
    (left,) = unfinished_steps(book.writes, "2026-01-01T10:09:59+00:00")
    assert "it locks itself 600 s after that" in left.words
    assert unfinished_steps(book.writes, "2026-01-01T10:10:01+00:00") == ()


# -- a register that was hit instead of that of the address


def test_what_another_register_held_is_written_back_and_read_again() -> None:
    """The outputs of a unit on the virtual segment, taken for its address."""
    on, book = stage("dx-8", values={"outputs": 9}), Book()
    outputs = Procedure(0, Function.WRITE_SINGLE_REGISTER, overwrites=9)
    wrong = replace(address_move("dx-8"), procedure=outputs)
    outcome = execute(on.line, prepare(on.line, wrong), book, yes)
    assert (outcome.row, outcome.holds, outcome.held) == (Row.OTHER_REGISTER, NEW, 9)
    assert "into use" not in outcome.why
    (left,) = left_open(book)
    assert [str(step.role) for step in left.steps] == ["restore"]
    assert "holds what was meant for another, and not 9 as before" in left.words
    prepared = prepare_rest(on.line, left)
    assert [step.request.words[:25] for step in prepared.steps] == ["Write 9 (0x0009) to holdi"]
    ended = execute(on.line, prepared, book, yes)
    assert ended.row is Row.FINISHED
    request = read_registers(on.unit.address, Function.READ_HOLDING_REGISTERS, 0, 1)
    assert judge(request, on.line.exchange(request, CLOSE_LOOK)).registers == (9,)
    assert left_open(book) == ()


def test_a_save_that_a_unit_waits_for_is_named_and_takes_it_to_its_new_place() -> None:
    """Killed right after the address was written: the register holds it, and only the save is
    missing that makes it hold; a power cycle would lose it."""
    name = "lk-2, address"
    _, _, writes = prepared_for(name)
    ((_, on, book),) = left_by_a_kill(name, "after", writes[1:2])
    (outcome,) = recover(on.reopened(), unfinished(book), book)
    assert outcome.row is Row.PENDING
    (left,) = left_open(book)
    assert left.names == "save, relock"
    assert "not stored" in left.words
    line = on.reopened()
    prepared = prepare_rest(line, left)
    assert [step.place.address for step in prepared.steps] == [OLD, NEW]
    assert "answer at" in prepared.expectation
    assert f"0x{NEW:02X}" in prepared.expectation
    finished = execute(line, prepared, book, yes)
    assert finished.row is Row.FINISHED, finished.why
    assert on.place.address == NEW
    assert not on.unit.setup.unlocked
    on.segment.power_cycle()
    assert on.place.address == NEW

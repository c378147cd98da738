"""The guarded move: what is shown, sent, recorded and told, for every way a unit may behave."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from threading import Event

import pytest

from busprobe.errors import PortError, StoppedError
from busprobe.job.journal import Result, Row, WriteIntent
from busprobe.modbus.requests import Function
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.profiles.registers import AddressPart
from busprobe.readdress.guards import RegisterDiffersError
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.verification import lookalikes
from busprobe.readdress.words import ROW_WORDS
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

BY_6 = Procedure(ADDRESS_REGISTER, Function.WRITE_SINGLE_REGISTER, profile="bench-unit")
BY_16 = Procedure(ADDRESS_REGISTER, profile="bench-unit")


def moved(
    bench: Bench, procedure: Procedure | None = None, book: Book | None = None, new: int = 12
) -> Outcome:
    line = line_to(bench)
    return execute(line, prepare(line, move(new=new, procedure=procedure)), book or Book(), yes)


@pytest.mark.parametrize("procedure", [BY_6, BY_16], ids=["function 6", "function 16"])
@pytest.mark.parametrize(
    ("unit", "row", "result", "lands"),
    [
        (FakeUnit(1), Row.CHANGED, Result.VERIFIED, 12),
        (FakeUnit(1, reply_from="new"), Row.CHANGED, Result.VERIFIED, 12),
        (FakeUnit(1, reply_from="none"), Row.REPLY_LOST, Result.VERIFIED, 12),
        (FakeUnit(1, latency=0.9), Row.CHANGED, Result.VERIFIED, 12),
        (FakeUnit(1, restart=5), Row.CHANGED, Result.VERIFIED, 12),
        (FakeUnit(1, effect="power cycle"), Row.PENDING, Result.WAITING, 1),
        (FakeUnit(1, forgets=True), Row.PENDING, Result.WAITING, 1),
        (FakeUnit(1, deaf=True), Row.UNHEARD, Result.NOT_VERIFIED, 1),
        (FakeUnit(1, exception=4), Row.UNIT_REFUSED, Result.NOT_VERIFIED, 1),
        (FakeUnit(1, stays=True), Row.BOTH, Result.NOT_VERIFIED, 12),
        (FakeUnit(1, restart=math.inf), Row.NEITHER, Result.NOT_VERIFIED, 12),
        (FakeUnit(1, lands=18), Row.NEITHER, Result.NOT_VERIFIED, 18),
    ],
    ids=lambda value: str(value) if isinstance(value, Row) else "",
)
def test_each_row_of_the_table(
    procedure: Procedure, unit: FakeUnit, row: Row, result: Result, lands: int
) -> None:
    bench, book = Bench(replace(unit)), Book()
    outcome = moved(bench, procedure, book)
    assert (outcome.row, outcome.result) == (row, result)
    assert bench.units[0].address == lands
    assert bench.writes == [outcome.request]
    assert bench.unsafe == []
    assert book.lines == ["intend readdress", f"conclude readdress: {result}"]
    assert book.conclusions[1][0][1] == outcome.reply


def test_a_unit_found_at_the_hex_twin_is_named() -> None:
    outcome = moved(Bench(FakeUnit(1, lands=32)), new=20)
    assert "a unit answers at unit address 32 (0x20) at 9600-8N1" in outcome.why


@pytest.mark.parametrize(
    ("address", "others"), [(20, (14, 32, 40)), (32, (4, 20, 50)), (12, (18, 48)), (1, (128,))]
)
def test_lookalikes_of_an_address(address: int, others: tuple[int, ...]) -> None:
    assert lookalikes(address) == others


def test_an_exception_is_named_with_what_to_do() -> None:
    outcome = moved(Bench(FakeUnit(1, exception=2)))
    assert "exception 2, illegal data address" in outcome.why
    assert "no such register" in outcome.todo


def test_everything_is_shown_before_it_is_sent() -> None:
    bench = Bench(FakeUnit(1))
    shown: list[Prepared] = []

    def confirm(prepared: Prepared) -> bool:
        assert bench.writes == []
        shown.append(prepared)
        return True

    line = line_to(bench)
    procedure = replace(
        BY_6,
        effect=Effect.AT_ONCE,
        reply_from=ReplyFrom.OLD,
        cautions=("A valve moves.",),
        rescue="Hold the button.",
    )
    execute(line, prepare(line, move(procedure=procedure)), Book(), confirm)
    (prepared,) = shown
    assert (
        prepared.words
        == "Write 12 (0x000C) to holding register 100 (0x0064) of unit 1 (0x01), function code 6."
    )
    assert bench.writes == [prepared.request.frame]
    assert (
        prepared.expectation
        == "The unit should reply from 1 (0x01) and answer at 12 (0x0C) at once."
    )
    assert prepared.warnings[0] == "A valve moves."
    assert prepared.rescue == "Hold the button."


def test_a_no_sends_nothing_and_records_nothing() -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    line = line_to(bench)
    prepared = prepare(line, move())
    asked = len(bench.sent)
    outcome = execute(line, prepared, book, lambda _: False)
    assert (outcome.row, outcome.result, outcome.request) == (
        Row.NOT_CONFIRMED,
        Result.REFUSED,
        prepared.request.frame,
    )
    assert len(bench.sent) == asked
    assert book.writes == []


def put_at_source(bench: Bench) -> None:
    bench.units.append(FakeUnit(1, serial=0x3C3C))


def put_at_target(bench: Bench) -> None:
    bench.units.append(FakeUnit(12))


def take_off(bench: Bench) -> None:
    bench.units[0].connected = False


@pytest.mark.parametrize("hands", [put_at_source, put_at_target, take_off])
def test_what_hands_do_while_the_question_is_on_screen_is_noticed(
    hands: Callable[[Bench], None],
) -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    line = line_to(bench)

    def confirm(_: Prepared) -> bool:
        hands(bench)
        return True

    outcome = execute(line, prepare(line, move()), book, confirm)
    assert (outcome.row, outcome.result) == (Row.GUARD, Result.REFUSED)
    assert outcome.todo
    assert bench.writes == []
    assert book.writes == []


def test_a_register_given_by_hand_carries_a_plainer_warning() -> None:
    bench = Bench(FakeUnit(1))
    prepared = prepare(line_to(bench), move(procedure=Procedure.by_hand(ADDRESS_REGISTER, 6)))
    assert prepared.by_hand
    assert "given by hand" in prepared.warnings[0]
    assert not any("not the unit address" in warning for warning in prepared.warnings)


@pytest.mark.parametrize("holds", [350, 12])
def test_a_register_that_holds_something_else_is_refused_unless_that_is_overridden(
    holds: int,
) -> None:
    """Also where it holds just the new address, and nothing on record has put it there."""
    bench = Bench(FakeUnit(1, serial=holds))
    with pytest.raises(RegisterDiffersError) as caught:
        prepare(line_to(bench), move(procedure=Procedure.by_hand(0)))
    assert (caught.value.register, caught.value.holds) == (0, holds)
    assert f"holds {holds}" in caught.value.what
    assert "the unit address 1 (0x01)" in caught.value.what
    with pytest.raises(RegisterDiffersError):  # what was overridden is not what it holds
        prepare(line_to(bench), move(procedure=Procedure(0, overwrites=holds + 1)))
    prepared = prepare(line_to(bench), move(procedure=Procedure(0, overwrites=holds)))
    assert any("chosen to overwrite" in warning for warning in prepared.warnings)
    assert prepared.held == holds


def test_a_register_that_holds_what_an_earlier_write_left_there_is_the_right_one() -> None:
    """What a kill before the save leaves, or a write that waits for its power cycle."""
    bench = Bench(FakeUnit(1, serial=11))
    prepared = prepare(line_to(bench), move(procedure=Procedure.by_hand(0)), awaited=11)
    assert any("which an earlier write left there" in warning for warning in prepared.warnings)


def test_a_shared_register_is_shown_before_and_after() -> None:
    bench = Bench(FakeUnit(1, part=AddressPart.HIGH_BYTE, other=0x07))
    prepared = prepare(line_to(bench), move(procedure=replace(BY_6, part=AddressPart.HIGH_BYTE)))
    assert prepared.expectation.endswith("goes from 0x0107 to 0x0C07: only its high byte changes.")


def test_a_register_that_cannot_be_read_is_warned_of() -> None:
    prepared = prepare(line_to(Bench(FakeUnit(1, readable=False))), move())
    assert any("could not be checked" in warning for warning in prepared.warnings)


# -- echo


@pytest.mark.parametrize("procedure", [BY_6, BY_16], ids=["function 6", "function 16"])
def test_behind_an_echoing_adapter_the_echo_is_never_the_reply(procedure: Procedure) -> None:
    bench = Bench(FakeUnit(1, deaf=True), echo=True)
    outcome = moved(bench, procedure)
    assert (outcome.row, outcome.reply) == (Row.UNHEARD, None)
    bench = Bench(FakeUnit(1), echo=True)
    outcome = moved(bench, procedure)
    assert outcome.row is Row.CHANGED
    assert outcome.reply is not None
    assert len(outcome.reply) == 8


def test_an_adapter_that_echoes_now_and_then_proves_nothing() -> None:
    bench = Bench(FakeUnit(1, deaf=True))
    # It echoes all but the last exchanges before the write, so that the line takes it for one
    # without an echo.
    bench.echo = True

    def flicker(frame: bytes) -> None:
        bench.echo = len(bench.sent) < 20 or frame[1] == 6

    bench.before_send = flicker
    outcome = moved(bench, BY_6)
    assert outcome.reply == outcome.request  # it does look like an acknowledgement
    assert outcome.row is Row.UNHEARD


# -- further steps
# -------------------------------------------------------------------------------------------

ALL_STEPS = replace(BY_16, unlock=UNLOCK, save=SAVE, relock=RELOCK)


def test_unlock_write_save_and_lock_again() -> None:
    unit = FakeUnit(1, password=4711, effect="save")
    bench, book = Bench(unit), Book()
    procedure = replace(ALL_STEPS, effect=Effect.AFTER_SAVE)
    outcome = moved(bench, procedure, book)
    assert outcome.row is Row.CHANGED
    assert [(frame[0], frame[3]) for frame in bench.writes] == [
        (1, 200),
        (1, 100),
        (1, 201),
        (12, 200),
    ]
    assert unit.locked
    assert unit.stored == 12
    assert book.lines == [
        "intend unlock",
        "conclude unlock: acknowledged",
        "intend readdress",
        "intend save",
        "conclude save: acknowledged",
        "intend relock",
        "conclude relock: acknowledged",
        "conclude readdress: verified",
    ]


def test_where_the_address_holds_at_once_it_is_saved_at_the_new_one() -> None:
    bench = Bench(FakeUnit(1))
    outcome = moved(
        bench,
        replace(BY_16, effect=Effect.AT_ONCE, save=replace(SAVE, register=ADDRESS_REGISTER + 50)),
    )
    assert [frame[0] for frame in bench.writes] == [1, 12]
    assert outcome.row is Row.CHANGED
    assert "'save' was not acknowledged: exception 2" in outcome.why


def test_without_unlocking_nothing_is_written() -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    outcome = moved(bench, ALL_STEPS, book)  # this unit knows no unlock register
    assert (outcome.row, outcome.result) == (Row.STEP_FAILED, Result.NOT_VERIFIED)
    assert "The address was not written" in outcome.why
    assert [frame[3] for frame in bench.writes] == [200]
    assert book.lines == ["intend unlock", "conclude unlock: not acknowledged"]


def test_no_further_step_goes_to_an_address_where_the_unit_is_not_alone() -> None:
    bench = Bench(FakeUnit(1, stays=True))
    outcome = moved(bench, replace(BY_16, effect=Effect.AT_ONCE, save=SAVE))
    assert len(bench.writes) == 1
    assert "The step 'save' was not sent" in outcome.why


def test_no_further_step_follows_a_refusal() -> None:
    bench = Bench(FakeUnit(1, password=4711, exception=3))
    outcome = moved(bench, ALL_STEPS)
    assert outcome.row is Row.UNIT_REFUSED
    assert [frame[3] for frame in bench.writes] == [200, 100]


@pytest.mark.parametrize("part", [AddressPart.HIGH_BYTE, AddressPart.LOW_BYTE])
def test_the_other_half_of_a_shared_register_is_kept(part: AddressPart) -> None:
    bench = Bench(FakeUnit(1, part=part, other=0x07))
    outcome = moved(bench, replace(BY_6, part=part))
    assert outcome.row is Row.CHANGED
    assert bench.writes[0][4:6] == (b"\x0c\x07" if part is AddressPart.HIGH_BYTE else b"\x07\x0c")


# -- power cycle
# ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "before", "row", "after"),
    [
        (FakeUnit(1), Result.VERIFIED, Row.KEPT, Result.VERIFIED),
        (FakeUnit(1, effect="power cycle"), Result.WAITING, Row.KEPT, Result.VERIFIED),
        (FakeUnit(1, volatile=True), Result.VERIFIED, Row.NOT_KEPT, Result.NOT_VERIFIED),
        (FakeUnit(1, forgets=True), Result.WAITING, Row.NOT_ACCEPTED, Result.NOT_VERIFIED),
        (FakeUnit(1, effect="save"), Result.WAITING, Row.NOT_ACCEPTED, Result.NOT_VERIFIED),
    ],
)
def test_a_power_cycle_settles_it(unit: FakeUnit, before: Result, row: Row, after: Result) -> None:
    bench, book = Bench(replace(unit)), Book()
    outcome = moved(bench, book=book)
    assert outcome.result is before
    bench.units[0].power_cycle()
    bench.units[0].ready_at = bench.clock.now() + 8
    again = verify_again(line_to(bench), outcome, journal=book)
    assert (again.row, again.result) == (row, after)
    assert again.document()["power_cycle"] == ROW_WORDS[row]
    assert [text for text, _, _ in book.conclusions[1]] == [before, after]


def test_the_reverse_move_undoes_it_with_the_same_guards() -> None:
    bench = Bench(FakeUnit(1))
    outcome = moved(bench)
    line = line_to(bench)
    undone = execute(line, prepare(line, outcome.move.reversed()), Book(), yes)
    assert undone.result is Result.VERIFIED
    assert bench.units[0].address == 1


# -- the port dies
# -------------------------------------------------------------------------------------------


def is_write(frame: bytes) -> bool:
    return frame[1] in (6, 16)


@pytest.mark.parametrize("moment", ["before_send", "after_send"])
def test_a_port_that_dies_at_the_write_leaves_it_open_on_record(moment: str) -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    setattr(bench, moment, lambda frame: unplugged(frame) if is_write(frame) else None)
    outcome = moved(bench, book=book)
    assert (outcome.row, outcome.result) == (Row.PORT_FAILED, Result.NOT_VERIFIED)
    assert "The adapter is gone." in outcome.why
    assert book.unfinished == [outcome.write] == [1]


def test_a_port_that_dies_before_anything_is_written_is_a_port_error() -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    line = line_to(bench)
    prepared = prepare(line, move())
    bench.before_send = unplugged
    with pytest.raises(PortError):
        execute(line, prepared, book, yes)
    assert book.writes == []


def test_nothing_is_sent_if_the_intent_cannot_be_recorded() -> None:
    class Full(Book):
        def intend_write(self, intent: WriteIntent, /) -> int:
            raise OSError("disk full")

    bench = Bench(FakeUnit(1))
    with pytest.raises(OSError, match="disk full"):
        moved(bench, book=Full())
    assert bench.writes == []


def test_guards_are_left_off_at_the_next_question_once_they_are_stopped() -> None:
    bench, stop = Bench(FakeUnit(1)), Event()
    bench.after_send = lambda _: stop.set() if len(bench.sent) == 3 else None
    line = line_to(bench)
    with pytest.raises(StoppedError), line.stopped_by(stop):
        prepare(line, move())
    assert len(bench.sent) == 3
    bench.after_send = lambda _: None
    assert (
        execute(line, prepare(line, move()), Book(), yes).row is Row.CHANGED
    )  # the stop holds no longer than that

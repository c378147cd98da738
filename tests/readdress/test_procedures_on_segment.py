"""Every procedure of the shipped profiles, carried out on units of their types over real
waveforms."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.profiles.changes import Effect
from busprobe.readdress.move import execute, prepare
from busprobe.readdress.procedure import Move
from busprobe.survey.close_look import CLOSE_LOOK
from busprobe.virtual.loading import shipped_types
from tests.readdress.bench import Book, checked, yes
from tests.readdress.segment import MOVES, NEW, OLD, Stage, address_move, settings_move, stage

WAIT_FOR_POWER = [
    name for name, (_, move) in MOVES.items() if move.procedure.effect is Effect.AFTER_POWER_CYCLE
]


def carried_out(on: Stage, move: Move, book: Book) -> Row:
    """Prepare and execute `move`; the row it ended with."""
    return execute(on.line, prepare(on.line, move), book, yes).row


def holds(on: Stage, register: int) -> int:
    """What a register of the unit holds, asked at the place where it is."""
    on.line.apply(on.place.settings)
    request = read_registers(on.place.address, Function.READ_HOLDING_REGISTERS, register, 1)
    return judge(request, on.line.exchange(request, CLOSE_LOOK)).registers[0]


@pytest.mark.parametrize("name", MOVES)
def test_each_procedure_ends_verified_and_is_kept(name: str) -> None:
    """Told by what answers, and true: the unit really is there, also after its supply was away."""
    kind, move = MOVES[name]
    on, book = stage(kind), Book()
    outcome = execute(on.line, prepare(on.line, move), book, yes)
    if name in WAIT_FOR_POWER:
        assert (outcome.row, on.place) == (Row.PENDING, move.source)
    else:
        assert outcome.result is Result.VERIFIED, outcome.why
        assert on.place == move.target
    on.segment.power_cycle()
    after = checked(on.line, outcome)
    assert (after.row, on.place) == (Row.KEPT, move.target)
    assert book.unfinished == []
    assert len(on.port.writes) == len(book.writes)


@pytest.mark.parametrize("name", MOVES)
def test_each_procedure_can_be_undone(name: str) -> None:
    """The reverse move is the same procedure from the other end."""
    kind, move = MOVES[name]
    on, book = stage(kind), Book()
    for each in (move, move.reversed()):
        outcome = execute(on.line, prepare(on.line, each), book, yes)
        if outcome.result is Result.WAITING:
            on.segment.power_cycle()
            outcome = checked(on.line, outcome)
        assert outcome.result is Result.VERIFIED, outcome.why
        assert on.place == each.target


@pytest.mark.parametrize("kind", ["lk-2", "hp-4"])
def test_a_lock_is_closed_again(kind: str) -> None:
    on = stage(kind)
    carried_out(on, address_move(kind), Book())
    assert not on.unit.setup.unlocked


def test_without_the_unlock_a_refusing_unit_says_that_it_is_locked() -> None:
    on = stage("lk-2")
    move = address_move("lk-2")
    outcome = execute(
        on.line,
        prepare(on.line, replace(move, procedure=replace(move.procedure, unlock=None))),
        Book(),
        yes,
    )
    assert outcome.row is Row.UNIT_REFUSED
    assert "probably locked" in outcome.todo
    assert on.place == move.source


def test_without_the_unlock_an_acknowledging_unit_is_found_not_to_have_moved() -> None:
    """Acknowledged is not changed."""
    on = stage("hp-4")
    move = address_move("hp-4")
    assert (
        carried_out(on, replace(move, procedure=replace(move.procedure, unlock=None)), Book())
        is Row.PENDING
    )
    assert on.place == move.source


def test_without_the_save_the_address_is_not_kept() -> None:
    """Changed is not kept."""
    on = stage("iv-6")
    move = address_move("iv-6")
    move = replace(move, procedure=replace(move.procedure, save=None))
    outcome = execute(on.line, prepare(on.line, move), Book(), yes)
    assert (outcome.result, on.place) == (Result.VERIFIED, move.target)
    on.segment.power_cycle()
    assert checked(on.line, outcome).row is Row.NOT_KEPT
    assert on.place == move.source


def test_a_unit_that_forgets_is_neither_here_nor_there_after_a_power_cycle() -> None:
    on = stage("at-10", forgets=True)
    move = address_move("at-10")
    outcome = execute(on.line, prepare(on.line, move), Book(), yes)
    on.segment.power_cycle()
    after = checked(on.line, outcome)
    assert (after.row, on.place.address) == (Row.NEITHER, 1)
    assert "survey" in after.todo


def test_the_other_byte_of_a_shared_register_stays() -> None:
    """Address and baud code of HP-4, format code and address of IV-6: read, changed in its part,
    written."""
    on = stage("hp-4")
    assert holds(on, 0x10) == OLD << 8 | 2
    carried_out(on, address_move("hp-4"), Book())
    assert holds(on, 0x10) == NEW << 8 | 2
    on = stage("hp-4")
    carried_out(on, settings_move("hp-4", "19200"), Book())
    assert holds(on, 0x10) == OLD << 8 | 3
    on = stage("iv-6")
    carried_out(on, address_move("iv-6"), Book())
    assert holds(on, 0x200) == 1 << 8 | NEW


def test_registers_that_are_taken_only_together_are_written_as_they_are() -> None:
    """Code of the baud rate and address of JD-7: one request writes both and changes one."""
    on, move = stage("jd-7"), address_move("jd-7")
    prepared = prepare(on.line, move)
    assert prepared.request.frame[:-2] == bytes.fromhex("05 10 0300 0002 04 0002 002A")
    assert "from 0x0005 to 0x002A; the other registers" in prepared.expectation
    book = Book()
    assert execute(on.line, prepared, book, yes).row is Row.CHANGED
    assert [holds(on, register) for register in (0x300, 0x301)] == [2, NEW]
    (write,) = book.writes
    assert (write.write.changed, write.write.value, write.held) == (0x301, NEW, OLD)
    on = stage("jd-7")
    carried_out(on, settings_move("jd-7", "19200"), Book())
    assert [holds(on, register) for register in (0x300, 0x301)] == [3, OLD]


def test_a_unit_that_takes_registers_only_together_refuses_one_alone() -> None:
    on, move = stage("jd-7"), address_move("jd-7")
    alone = replace(move, procedure=replace(move.procedure, together=()))
    assert carried_out(on, alone, Book()) is Row.UNIT_REFUSED
    assert on.place == move.source


def test_registers_written_together_that_cannot_be_read_are_refused() -> None:
    """What they hold could not be written as it is."""
    on, move = stage("jd-7"), address_move("jd-7")
    wrong = replace(move.procedure, together=(0x301, 0x302))
    with pytest.raises(RefusedError, match="cannot be read"):
        prepare(on.line, replace(move, procedure=wrong))
    assert on.port.writes == []


def test_a_shared_register_that_makes_no_sense_is_refused() -> None:
    """The procedure of another type's register: what is read cannot be decoded, and nothing is
    written."""
    on = stage("hp-4")
    move = address_move("hp-4")
    wrong = replace(move, procedure=replace(move.procedure, register=1))  # the version
    with pytest.raises(RefusedError, match="should be the unit address") as caught:
        prepare(on.line, wrong)
    assert "blind write" in caught.value.means
    assert on.port.writes == []


def test_a_code_that_does_not_fit_the_present_settings_is_refused() -> None:
    """The register of the codes holds the code of other settings: the profile is not of this
    unit."""
    on = stage("lk-2")
    move = settings_move("lk-2", "19200")
    shifted = tuple((settings, code + 1) for settings, code in move.procedure.codes)
    with pytest.raises(RefusedError, match="the code for 9600-8N1"):
        prepare(on.line, replace(move, procedure=replace(move.procedure, codes=shifted)))
    assert on.port.writes == []


@pytest.mark.parametrize(("kind", "address"), [("lk-2", 128), ("hp-4", 64)])
def test_an_address_beyond_what_the_unit_takes_is_refused_before_anything_is_asked(
    kind: str, address: int
) -> None:
    on = stage(kind)
    with pytest.raises(RefusedError, match="does not allow address"):
        move = address_move(kind)
        prepare(on.line, replace(move, target=replace(move.target, address=address)))
    assert on.port.sent == []


def test_a_unit_set_to_settings_by_another_code_is_looked_for_and_named() -> None:
    """Codes that differ from maker to maker: the unit is found where the wrong code has put it."""
    on = stage("iv-6", LineSettings.parse("9600-8N1"))
    procedure = settings_move("iv-6", "8N1").procedure
    # As if 8O1 and 8E1 had changed places in the data sheet: 8E1 is asked for and 8O1 is what the
    # unit does.
    codes = tuple(
        (LineSettings.parse(f"9600-{name}"), code)
        for name, code in (("8N1", 0), ("8E1", 2), ("8O1", 1))
    )
    present, wanted = LineSettings.parse("9600-8N1"), LineSettings.parse("9600-8E1")
    move = Move(Place(OLD, present), Place(OLD, wanted), replace(procedure, codes=codes))
    outcome = execute(on.line, prepare(on.line, move), Book(), yes)
    on.segment.power_cycle()
    after = checked(on.line, outcome)
    assert after.row is Row.NEITHER
    assert str(on.place.settings) == "9600-8O1"
    assert "9600-8O1" in after.why


def test_all_types_are_here() -> None:
    """A new unit type is in this test by being there."""
    assert {kind for kind, _ in MOVES.values()} == set(shipped_types())

"""What a profile says of a procedure beyond register and function code, on units that behave so on
the virtual segment."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.move import execute, prepare
from busprobe.readdress.procedure import Move, Procedure
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment
from tests.profiles.making import profile
from tests.readdress.bench import Book, checked, yes
from tests.readdress.segment import CuttablePort

OLD, NEW, SERVICE = 5, 42, 255
HERE = LineSettings.parse("9600-8N1")
REGISTER, BAUD, FORMAT, LOCK = 20, 21, 22, 40


def unit_type(**fields: Any) -> UnitType:
    usual = {
        "maker": "Glenmoss Works",
        "model": "G-1",
        "settings": "9600-8N1",
        "functions": [3, 6, 16],
        "holding": [{"name": "level", "at": 0, "type": "uint16", "value": 7}],
        "readdress": {"at": REGISTER, "functions": [6, 16]},
    }
    return UnitType.model_validate({**usual, **fields})


class OneUnit:
    """A unit of its own type at `OLD`, others with it, and what was sent to them."""

    def __init__(self, kind: UnitType, *others: UnitEntry) -> None:
        units = (UnitEntry(name="u", type="own", address=OLD), *others)
        types = {**shipped_types(), "own": kind}
        scenario = Scenario(title="One unit", types=types, units=units)
        self.segment = Segment(scenario, VirtualClock())
        self.port = CuttablePort(self.segment.port())
        self.line = Line(self.port, HERE)
        self.unit = self.segment.units[0]


def readdressed_by(**how: Any) -> Procedure:
    return Procedure.from_profile(profile(readdress={"register": REGISTER, **how}))


def to_new(procedure: Procedure) -> Move:
    return Move(Place(OLD, HERE), Place(NEW, HERE), procedure)


# -- a service address


def test_writes_go_to_the_service_address_and_the_move_is_told_by_the_units_own() -> None:
    on, book = OneUnit(unit_type(service_address=SERVICE)), Book()
    prepared = prepare(on.line, to_new(readdressed_by(service_address=SERVICE)))
    assert any("address 255" in warning for warning in prepared.warnings)
    outcome = execute(on.line, prepared, book, yes)
    assert (outcome.row, on.unit.address) == (Row.CHANGED, NEW)
    assert [frame[0] for frame in on.port.writes] == [SERVICE]
    assert (book.writes[0].source.address, book.writes[0].target.address) == (OLD, NEW)


def test_steps_after_the_write_go_to_the_service_address_too() -> None:
    lock = {"at": LOCK, "values": [4711], "functions": [16]}
    on, book = OneUnit(unit_type(service_address=SERVICE, lock=lock)), Book()
    how = readdressed_by(
        service_address=SERVICE,
        unlock={"register": LOCK, "values": [4711]},
        relock={"register": LOCK, "values": [0]},
    )
    outcome = execute(on.line, prepare(on.line, to_new(how)), book, yes)
    assert (outcome.row, on.unit.address) == (Row.CHANGED, NEW)
    assert [frame[0] for frame in on.port.writes] == [SERVICE] * 3
    assert not on.unit.setup.unlocked


@pytest.mark.parametrize("kind", ["own", "at-10"])
def test_a_second_unit_that_hears_the_service_address_is_refused(kind: str) -> None:
    """One of the same type answers there with it; one of another type answers instead of it."""
    mute = unit_type() if kind == "at-10" else unit_type(service_address=SERVICE)
    other = UnitEntry(name="other", type=kind, address=9, any_address=kind == "at-10")
    on = OneUnit(mute, other)
    with pytest.raises(RefusedError) as caught:
        prepare(on.line, to_new(readdressed_by(service_address=SERVICE)))
    assert on.port.writes == []
    assert caught.value.todo


def test_a_second_unit_of_the_type_put_on_while_the_question_is_on_screen_is_refused() -> None:
    second = UnitEntry(name="second", type="own", address=9, connected=False)
    on, book = OneUnit(unit_type(service_address=SERVICE), second), Book()
    prepared = prepare(on.line, to_new(readdressed_by(service_address=SERVICE)))

    def connect(_: object) -> bool:
        on.segment.connect("second")
        return True

    assert execute(on.line, prepared, book, connect).row is Row.GUARD
    assert on.port.writes == []


# -- a register that cannot be read


def test_a_register_that_the_profile_says_cannot_be_read_is_not_asked_for() -> None:
    on = OneUnit(unit_type(readdress={"at": REGISTER, "functions": [16], "readable": False}))
    prepared = prepare(on.line, to_new(readdressed_by(readable=False)))
    read = bytes((OLD, 3)) + REGISTER.to_bytes(2, "big")
    assert not [frame for frame in on.port.sent if frame.startswith(read)]
    assert any("can only be written" in warning for warning in prepared.warnings)
    outcome = execute(on.line, prepared, Book(), yes)
    assert (outcome.row, on.unit.address) == (Row.CHANGED, NEW)


# -- locks


@pytest.mark.parametrize(("said", "todo"), [(2, "locked"), (None, "no such register")])
def test_the_exception_of_a_locked_unit_is_told_as_its_profile_says(
    said: int | None, todo: str
) -> None:
    """By the standard exception 2 is "illegal data address"."""
    lock = {"at": LOCK, "values": [4711], "functions": [16], "exception": 2}
    on = OneUnit(unit_type(lock=lock))
    outcome = execute(
        on.line, prepare(on.line, to_new(readdressed_by(locked_exception=said))), Book(), yes
    )
    assert (outcome.row, outcome.result) == (Row.UNIT_REFUSED, Result.NOT_VERIFIED)
    assert todo in outcome.todo


# -- baud and format


BOTH: Profile = profile(
    line_settings={
        "function": 6,
        "baud": {
            "register": BAUD,
            "codes": {"9600": 1, "19200": 2},
            "effect": "after-power-cycle",
        },
        "format": {"register": FORMAT, "codes": {"8N1": 0, "8E1": 1}, "function": 16},
    }
)


def test_baud_and_format_are_changed_each_as_the_profile_says() -> None:
    line_settings = {
        "functions": [6],
        "baud": {"at": BAUD, "codes": {"9600": 1, "19200": 2}, "effect": "after-power-cycle"},
        "format": {"at": FORMAT, "codes": {"8N1": 0, "8E1": 1}, "functions": [16]},
    }
    on = OneUnit(unit_type(line_settings=line_settings))
    place = Place(OLD, HERE)
    to_format = change_of_settings(BOTH, place, LineSettings.parse("9600-8E1"))
    assert execute(on.line, prepare(on.line, to_format), Book(), yes).row is Row.CHANGED
    to_baud = change_of_settings(BOTH, to_format.target, LineSettings.parse("19200-8E1"))
    outcome = execute(on.line, prepare(on.line, to_baud), Book(), yes)
    assert outcome.row is Row.PENDING
    assert [frame[1] for frame in on.port.writes] == [16, 6]
    on.segment.power_cycle()
    after = checked(on.line, outcome)
    assert (after.row, str(on.unit.settings)) == (Row.KEPT, "19200-8E1")

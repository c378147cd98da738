"""Addresses that units are to have, before and after moves."""

from __future__ import annotations

from busprobe.job.journal import Row
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress.move_list import Goal, ListedBus
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.wizard.readdress.wanted import followed, goal_of, wanted_by

AT_9600 = LineSettings.parse("9600-8N1")


def moved(old: int, new: int) -> Outcome:
    return Outcome(
        Move(Place(old, AT_9600), Place(new, AT_9600), Procedure(0x101)), Row.CHANGED, "", ""
    )


def test_a_wish_is_fulfilled_by_its_move_or_goes_along_to_where_the_unit_waits() -> None:
    one, twelve, parked = (Place(address, AT_9600) for address in (1, 12, 246))
    aside = followed({one: 12, twelve: 1}, moved(1, 246))
    assert aside == {parked: 12, twelve: 1}
    assert followed(followed(aside, moved(12, 1)), moved(246, 12)) == {}


def test_wishes_and_the_goal_of_a_bus_are_the_same_but_for_units_that_stay() -> None:
    bus = ListedBus(
        (
            UnitRecord(Place.parse("1 9600-8N1")),
            UnitRecord(Place.parse("1 19200-8E1")),
            UnitRecord(Place.parse("5 9600-8N1")),
        ),
        {},
    )
    wanted = {
        Place.parse("1 9600-8N1"): 10,
        Place.parse("1 19200-8E1"): 11,
        Place.parse("7 9600-8N1"): 3,
    }
    goal = goal_of(bus, wanted)
    assert sorted(goal.addresses.values()) == [10, 11]
    assert wanted_by(Goal({**goal.addresses, bus.units[-1]: 5})) == {
        Place.parse("1 9600-8N1"): 10,
        Place.parse("1 19200-8E1"): 11,
    }

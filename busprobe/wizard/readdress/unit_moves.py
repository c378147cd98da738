"""What the journal says of the moves of each unit, and which addresses are wanted; no screen
here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from busprobe.job.records import UnitRecord
from busprobe.modbus.addresses import ALL
from busprobe.readdress.move_list import Bus, Goal
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.wizard.common.unit_words import key_text

WANTED = "wizard.wanted"
"""Where the job keeps the wanted addresses, by `key_text`."""


def left_for(
    unit: UnitRecord | None, units: Iterable[UnitRecord], left: Iterable[UnfinishedSteps]
) -> UnfinishedSteps | None:
    """What is left of a procedure of `unit`, or else of one that is not on the list any more."""
    listed = {each.place for each in units}
    mine = [each for each in left if unit is not None and each.place == unit.place]
    lost = [each for each in left if each.place not in listed]
    return next(iter(mine + lost), None)


def wanted_by(goal: Goal) -> Mapping[str, int]:
    """Addresses wanted by a goal, by `key_text`, those that stay left out."""
    return {
        key_text(seat.place): address
        for seat, address in goal.addresses.items()
        if address != seat.place.address
    }


def goal_of(bus: Bus, wanted: Mapping[str, int]) -> Goal:
    """The goal that the wanted addresses, by `key_text`, amount to."""
    return Goal(
        {seat: wanted[key_text(seat.place)] for seat in bus.units if key_text(seat.place) in wanted}
    )


def followed(wanted: Mapping[str, int], outcome: Outcome) -> dict[str, int]:
    """The wanted addresses after a verified move: the unit's wish is fulfilled, or goes along to
    where it waits."""
    left, move = dict(wanted), outcome.move
    wish = left.pop(key_text(move.source), None)
    if wish is not None and wish != move.target.address:
        left[key_text(move.target)] = wish
    return left


def clash_with(address: int, units: Iterable[UnitRecord], mover: UnitRecord) -> UnitRecord | None:
    """Who has `address` already, at whatever settings."""
    return next(
        (unit for unit in units if unit.address == address and key_text(unit) != key_text(mover)),
        None,
    )


def is_address(text: str) -> bool:
    """Whether `text` is a unit address in decimal."""
    return text.isdigit() and int(text) in ALL

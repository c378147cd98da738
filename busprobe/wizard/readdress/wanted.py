"""The addresses that units are to have: kept in the job, made a goal of the bus, followed by the
moves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.readdress.move_list import Goal, ListedBus
from busprobe.readdress.outcome import Outcome

_WANTED = "wizard.wanted"
"""Where the job keeps the wanted addresses, by the text form of the place."""


def kept_wanted(job: Job) -> dict[Place, int]:
    """The addresses that units are to have, by where they are now."""
    return job.state(_WANTED, dict[Place, int]) or {}


def keep_wanted(job: Job, wanted: Mapping[Place, int]) -> None:
    """Keep the addresses that units are to have."""
    job.set_state(_WANTED, {str(place): address for place, address in wanted.items()})


def wanted_by(goal: Goal) -> Mapping[Place, int]:
    """Addresses wanted by a goal, those that stay left out."""
    return {
        seat.place: address
        for seat, address in goal.addresses.items()
        if address != seat.place.address
    }


def goal_of(bus: ListedBus, wanted: Mapping[Place, int]) -> Goal:
    """The goal that the wanted addresses amount to."""
    return Goal({seat: wanted[seat.place] for seat in bus.units if seat.place in wanted})


def followed(wanted: Mapping[Place, int], outcome: Outcome) -> dict[Place, int]:
    """The wanted addresses after a verified move: the unit's wish is fulfilled, or goes along to
    where it waits."""
    left, move = dict(wanted), outcome.move
    wish = left.pop(move.source, None)
    if wish is not None and wish != move.target.address:
        left[move.target] = wish
    return left


def clash_with(address: int, units: Iterable[UnitRecord], mover: UnitRecord) -> UnitRecord | None:
    """Who has `address` already, at whatever settings."""
    return next(
        (unit for unit in units if unit.address == address and unit.place != mover.place),
        None,
    )

"""The address plan of a bus that already runs: from where the units are to where they should be.

Pure arithmetic, no line.  Addresses are one space for the whole pair, whatever the line settings:
two units that share an address at different settings would collide as soon as those are harmonised.
Such units can be moved apart, since a write at one setting does not reach the other; no plan takes
a unit to where another one is.

Moves that wait for one another form trees and cycles, since each address is wanted by at most one
unit.  A tree is done from its free ends.  A cycle has no free end: one of its units has to step
aside first, which costs one write more, and no plan does with less because the first move of a
cycle cannot reach its goal.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Generic, TypeVar

from busprobe.errors import RefusedError, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL, FIRST, LAST, both_forms, format_addresses

Unit = TypeVar("Unit", bound=Hashable)
"""Whatever tells units apart for the caller: a tag, a serial number, a row number."""


@dataclass(frozen=True)
class OrderedMove(Generic[Unit]):
    """One write of the plan."""

    unit: Unit
    old: int
    """Unit address before."""
    new: int
    """Unit address after."""
    aside: bool = False
    """Whether `new` is only a free address to wait at, to break a cycle."""

    @property
    def words(self) -> str:
        """The move in one sentence."""
        reason = ", to wait there until its own address is free" if self.aside else ""
        return f"{self.unit}: {both_forms(self.old)} to {both_forms(self.new)}{reason}."


def order_moves(
    start: Mapping[Unit, int],
    goal: Mapping[Unit, int],
    *,
    settings: Mapping[Unit, LineSettings] | None = None,
    allowed: Mapping[Unit, Collection[int]] | None = None,
    avoid: Collection[int] = (),
) -> tuple[OrderedMove[Unit], ...]:
    """The fewest moves from `start` to `goal`, in an order in which no two units ever share an
    address.

    `start` holds every unit on the pair; one that `goal` does not name, stays.  `settings` tells
    units apart that share an address now.  `allowed` limits the addresses a unit can be given;
    `avoid` are addresses that must not even be used in passing.  Raises `UsageError` if the goal
    cannot be, `RefusedError` if two units share an address now that nothing tells apart, or a cycle
    cannot be broken.
    """
    goal = {**start, **goal}
    _check(start, goal, settings or {}, allowed or {})
    where = dict(start)
    moves: list[OrderedMove[Unit]] = []

    def move(unit: Unit, new: int, aside: bool = False) -> None:
        moves.append(OrderedMove(unit, where[unit], new, aside))
        where[unit] = new

    left = [unit for unit in start if start[unit] != goal[unit]]
    while left:
        taken = set(where.values())
        ready = [unit for unit in left if goal[unit] not in taken]
        if not ready:  # only cycles are left
            unit, free = _way_out(left, {*taken, *avoid}, allowed or {})
            move(unit, free, aside=True)
            continue
        for unit in ready:
            move(unit, goal[unit])
            left.remove(unit)
    return tuple(moves)


def propose_addresses(
    units: Iterable[Unit],
    *,
    first: int = 10,
    spares: int = 0,
    keep_free: Collection[int] = (1, LAST),
) -> dict[Unit, int]:
    """Addresses by good practice for `units` in the order along the cable, from `first` up.

    Counts along the cable, leaves `spares` addresses between units, and leaves the factory
    addresses (`keep_free`) unused, so that a spare part out of its box never collides with a unit
    that runs (common practice).  Raises `UsageError` if there are not enough addresses.
    """
    proposal: dict[Unit, int] = {}
    address = first
    for unit in units:
        while address in keep_free:
            address += 1
        if not FIRST <= address <= LAST:
            raise UsageError(
                f"There are not enough addresses from {first} up with {spares} left free between"
                " units.",
                todo=f"Start lower or leave fewer spares; unit addresses end at {LAST}.",
            )
        proposal[unit] = address
        address += 1 + spares
    return proposal


def remarks(goal: Mapping[Unit, int], *, factory: Collection[int]) -> tuple[str, ...]:
    """What good practice (common practice) has to say of a goal; proposals, never a refusal."""
    return tuple(
        f"{unit} would keep the factory address {both_forms(address)}; a spare part would collide"
        " with it."
        for unit, address in goal.items()
        if address in factory
    )


def _check(
    start: Mapping[Unit, int],
    goal: Mapping[Unit, int],
    settings: Mapping[Unit, LineSettings],
    allowed: Mapping[Unit, Collection[int]],
) -> None:
    strangers = [str(unit) for unit in goal if unit not in start]
    if strangers:
        raise UsageError(
            f"The plan names units that are not on the pair: {', '.join(strangers)}.",
            todo="Survey the pair again, or take them out of the plan.",
        )
    for address, units in _shared(start):
        if len({settings.get(unit) for unit in units}) == len(units):
            continue
        raise RefusedError(
            f"{' and '.join(map(str, units))} share unit address {both_forms(address)}.",
            means="A write to that address would reach all of them.",
            todo="Take all but one of them off the pair, move that one, and go on unit by unit.",
        )
    for address, units in _shared(goal):
        raise UsageError(
            f"The plan gives unit address {both_forms(address)} to"
            f" {' and to '.join(map(str, units))}.",
            todo=(
                "Give each unit an address of its own; one that the plan does not name stays where"
                " it is."
            ),
        )
    for unit, address in goal.items():
        if address == start[unit]:
            continue
        if not FIRST <= address <= LAST:
            raise UsageError(
                f"The plan gives {unit} the address {address}.",
                todo=f"Unit addresses go from {FIRST} to {LAST}.",
            )
        if unit in allowed and address not in allowed[unit]:
            raise UsageError(
                f"{unit} cannot be given the address {both_forms(address)}.",
                todo=f"Its profile allows {format_addresses(allowed[unit])}.",
            )


def _shared(places: Mapping[Unit, int]) -> Iterator[tuple[int, list[Unit]]]:
    at: dict[int, list[Unit]] = {}
    for unit, address in places.items():
        at.setdefault(address, []).append(unit)
    return ((address, units) for address, units in at.items() if len(units) > 1)


def _way_out(
    left: list[Unit], taken: set[int], allowed: Mapping[Unit, Collection[int]]
) -> tuple[Unit, int]:
    """A unit of some cycle and an address not `taken` that it may wait at, the highest there is."""
    for unit in left:
        for address in reversed(ALL):
            if address not in taken and address in allowed.get(unit, ALL):
                return unit, address
    raise RefusedError(
        f"{', '.join(map(str, left))} would have to change places, and there is no free address to"
        " step aside to.",
        todo="Take one of them off the pair, move the others, and move it last.",
    )

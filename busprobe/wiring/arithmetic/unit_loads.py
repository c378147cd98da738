"""How many units a pair carries, and where a repeater has to go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.plausibility import require

UNITS = 32.0
"""Unit loads always allowed on one segment without repeater (MODBUS over Serial Line V1.02, section
3.4.1)."""

BIAS_COST = 4.0
"""Unit loads that line polarization takes from it (V1.02, section 3.4.6)."""


@dataclass(frozen=True)
class LoadedSegment:
    """One stretch of pair between repeaters."""

    units: int
    """How many of the units, in cable order, are on it."""
    used: float
    """Unit loads of these units and of the repeaters at its ends."""
    allowed: float
    """Unit loads it may carry."""


def segments(
    loads: Sequence[float], *, biased: bool = True, repeater: float = 1.0
) -> tuple[LoadedSegment, ...]:
    """Share out units with these unit loads, given in cable order (master included), over as few
    segments as will do.

    One segment fewer is the number of repeaters; a repeater is `repeater` unit loads on both its
    sides, and every segment needs its own terminators and, if `biased`, its own bias (common
    practice; a repeater parts the pair). Filling each segment in turn is the least there can be.
    Raises `UsageError` if a unit is too much for any segment.
    """
    allowed = UNITS - (BIAS_COST if biased else 0.0)
    require(repeater, "A repeater's load", "unit loads", zero=True)
    if 2 * repeater >= allowed:
        raise UsageError(
            f"Two repeaters of {repeater:g} unit loads fill a segment.",
            todo="Take a lighter repeater.",
        )
    for place, load in enumerate(loads, start=1):
        if require(load, f"The load of unit {place}", "unit loads") > allowed - 2 * repeater:
            raise UsageError(
                f"Unit {place} alone is {load:g} unit loads; a segment carries {allowed:g}, its"
                " repeaters included.",
                todo="Check the figure: a unit is 1 unit load or a fraction of one.",
            )
    result: list[LoadedSegment] = []
    rest = list(loads)
    while True:
        used = repeater if result else 0.0
        count = 0
        room = allowed if _fits(used + sum(rest), allowed) else allowed - repeater
        while count < len(rest) and _fits(used + rest[count], room):
            used += rest[count]
            count += 1
        rest = rest[count:]
        result.append(LoadedSegment(count, used + (repeater if rest else 0.0), allowed))
        if not rest:
            return tuple(result)


def _fits(load: float, room: float) -> bool:
    """Whether `load` fits, with a hair for the rounding of fractions like 1/3."""
    return load <= room + 1e-9

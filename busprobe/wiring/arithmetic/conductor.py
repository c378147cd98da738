"""Resistance of conductors, and what is left of the supply at each unit."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.plausibility import require

RESISTIVITY = 17.241e-9
"""Ωm of annealed copper at 20 °C (IEC 60028, from memory)."""

IEC_60228_FLEXIBLE = {0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30}
"""mm² to the most Ω/km a plain copper conductor of class 5 or 6 may have at 20 °C (IEC 60228)."""

_AWG = re.compile(r"AWG\s*([0-9]{1,2})", re.IGNORECASE)
_AREA = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*(?:mm2|mm²)?", re.IGNORECASE)


@dataclass(frozen=True)
class Conductor:
    """One wire of a cable."""

    name: str
    ohms_per_metre: float
    """Ω/m at 20 °C."""

    @classmethod
    def parse(cls, text: str) -> Conductor:
        """Read a wire size: ``AWG24``, or an area in mm² like ``0.75``; raises `UsageError`.

        AWG sizes are solid wire by definition of the gauge (stranded is about 4 % more); areas
        listed in IEC 60228 count with the standard's maximum for flexible wire, others with their
        copper alone.
        """
        if match := _AWG.fullmatch(text.strip()):
            gauge = int(match[1])
            if 4 <= gauge <= 40:
                return cls(f"AWG{gauge}", _by_area(awg_area(gauge)))
        elif (match := _AREA.fullmatch(text.strip())) and 0.05 <= (
            area := float(match[1].replace(",", "."))
        ) <= 50:
            listed = IEC_60228_FLEXIBLE.get(area)
            return cls(f"{area:g} mm²", listed / 1000 if listed else _by_area(area * 1e-6))
        raise UsageError(
            f"'{text}' is not a wire size.",
            todo="Write a gauge like AWG24, or the area in mm² like 0.75.",
        )

    def loop(self, metres: float, celsius: float = 20.0) -> float:
        """Ω of both wires of a run of `metres`, at a copper temperature."""
        return (
            2
            * require(metres, "The length", "m", zero=True)
            * at_temperature(self.ohms_per_metre, celsius)
        )


@dataclass(frozen=True)
class Drain:
    """A unit that draws current at its own distance from the supply."""

    metres: float
    """m of cable from the supply to the unit."""
    amperes: float
    """A it draws.  A unit with a switching converter draws more as its voltage falls: give its
    figure at the lowest voltage it is rated for."""


def awg_area(gauge: int) -> float:
    """m² of a solid AWG conductor: diameter 0.127 mm * 92^((36 - n) / 39) (definition of the gauge,
    ASTM B258)."""
    diameter: float = 0.127e-3 * 92 ** ((36 - gauge) / 39)
    return math.pi / 4 * diameter * diameter


def at_temperature(ohms: float, celsius: float) -> float:
    """Resistance of copper given at 20 °C at another temperature: 0.4 % a kelvin (IEC 60228,
    temperature factors)."""
    if not -100 <= celsius <= 250:
        raise UsageError(
            f"{celsius:g} °C is no temperature for a cable.", todo="Give degrees Celsius."
        )
    return ohms * (1 + 0.004 * (celsius - 20))


def voltages_along(
    supply: float, conductor: Conductor, drains: Sequence[Drain], celsius: float = 20.0
) -> tuple[float, ...]:
    """V left at each of `drains` on one supply pair, in their order; raises `UsageError`.

    Every stretch of the pair carries the current of all units behind it, out and back: drop = 2 *
    length * resistance
    * current, summed (Ohm's law; electrician2.com lesson page 135 works one load).  A result below
    zero says the pair cannot carry these units at all.
    """
    require(supply, "The supply", "V")
    for place, drain in enumerate(drains, start=1):
        require(drain.metres, f"The distance of unit {place}", "m", zero=True)
        require(drain.amperes, f"The current of unit {place}", "A", zero=True)
    return tuple(
        supply
        - sum(
            other.amperes * conductor.loop(min(drain.metres, other.metres), celsius)
            for other in drains
        )
        for drain in drains
    )


def far_level(driver: float, loop: float, terminator: float) -> float:
    """V that reach a far terminator of `terminator` Ω over a cable of `loop` Ω from a driver making
    `driver` V.

    Direct current only (a voltage divider): the pair's loss at signal frequencies comes on top.
    """
    require(driver, "The driver's voltage", "V")
    require(terminator, "The terminator", "Ω")
    return driver * terminator / (terminator + require(loop, "The loop", "Ω", zero=True))


def _by_area(square_metres: float) -> float:
    return RESISTIVITY / square_metres

"""How long a trunk and its stubs may be."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.plausibility import require

LIGHT = 3e8
"""m/s, rounded as in the published stub tables."""

VELOCITY_FACTOR = 0.78
"""Speed on the cable over that of light, as the published stub tables take it (TI SN65HVD10
datasheet, table 10-1)."""

LONGEST_DERIVATION = 20.0
"""m of one derivation (MODBUS over Serial Line V1.02, section 3.4.3)."""


class CableKind(Enum):
    """Kinds of trunk with the longest run the Modbus guide gives each at up to 9600 baud, in m.

    MODBUS over Serial Line V1.02, sections 3.4.3 and 3.6; the pair has to be AWG 26 or wider.
    """

    TWISTED_PAIR = 1000.0
    CATEGORY_5 = 600.0
    FOUR_WIRE_AS_TWO = 500.0


@dataclass(frozen=True)
class TrunkLimit:
    """What the sources say about a trunk's length."""

    by_rate: float
    """m by length times rate: at most 1e8, and never over 1200 m."""
    by_guide: float | None
    """m by the Modbus guide; None above 9600 baud, where it gives no figure."""

    @property
    def length(self) -> float:
        """The shorter of the two, in m."""
        return self.by_rate if self.by_guide is None else min(self.by_rate, self.by_guide)


def longest_trunk(baud: float, cabling: CableKind = CableKind.TWISTED_PAIR) -> TrunkLimit:
    """Longest trunk at `baud`; raises `UsageError`.

    Length (m) times rate (bit/s) up to 1e8 and 1200 m at most: TI 'RS-485 Design Guide' (SLLA272),
    its figures being 1200 m at 100 kbit/s and about 12 m at 10 Mbit/s, where the rule gives 10 m.
    """
    require(baud, "The baud rate", "bit/s")
    by_rate = min(1200.0, 1e8 / baud)
    if cabling is not CableKind.TWISTED_PAIR:
        by_rate = min(by_rate, cabling.value)
    return TrunkLimit(by_rate, cabling.value if baud <= 9600 else None)


def longest_stub(rise_time: float, velocity_factor: float = VELOCITY_FACTOR) -> float:
    """Longest stub in m for a driver whose edge takes `rise_time` s (10 to 90 %); raises
    `UsageError`.

    L = 0.1 * rise time * velocity: TI SLLSF20B (THVD2410) 'Stub Length', SN65HVD10 table 10-1.  The
    driver's edge counts, not the baud rate in use.  It is the shortest of the published rules; see
    `critical_length` for another.
    """
    return 0.1 * _reach(rise_time, velocity_factor)


def critical_length(rise_time: float, velocity_factor: float = VELOCITY_FACTOR) -> float:
    """Length in m from which a line has to be treated as one, for an edge of `rise_time` s; raises
    `UsageError`.

    Half of what the edge covers; an unterminated stub may be a third of it: ECSS glossary 'network
    critical length', citing CiA 301.  That is two thirds more than `longest_stub` allows.
    """
    return 0.5 * _reach(rise_time, velocity_factor)


def longest_derivation(derivations: int = 1) -> float:
    """m of each derivation at a tap with so many of them: 20 m, and 40 m over their number (V1.02,
    section 3.4.3)."""
    return min(
        LONGEST_DERIVATION, 40.0 / require(derivations, "The number of derivations", "derivations")
    )


def _reach(rise_time: float, velocity_factor: float) -> float:
    """m that an edge covers while it rises."""
    if not 0 < velocity_factor <= 1:
        raise UsageError(
            f"A velocity factor of {velocity_factor:g} is not possible.",
            todo=(
                "Take the cable's data sheet figure, between 0.5 and 1; 0.78 is usual for data"
                " cable."
            ),
        )
    return require(rise_time, "The rise time", "s") * velocity_factor * LIGHT

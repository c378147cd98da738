"""What a port does not apply of the line settings: one unit then looks like many.

So it is looked for as soon as the first one answers.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings, Parity
from busprobe.modbus.replies import judge
from busprobe.survey.probes import Asking, Probe, WireStep

_UNUSED_BAUD = 1800
"""A rate that POSIX systems know and no unit is delivered with: who answers there hears any rate.
"""
_TRIES = 2


@dataclass(frozen=True)
class IgnoredSettings:
    """Which part of the line settings a port does not apply; told by a unit that answers at
    settings it cannot have."""

    baud: bool
    parity: bool

    def same(self, one: LineSettings, other: LineSettings) -> bool:
        """Whether this port makes no difference between two settings."""
        return (self.baud or one.baud == other.baud) and (self.parity or one.format == other.format)

    @property
    def words(self) -> str:
        """What this means, in plain words; empty for a port that applies everything."""
        if self.baud:
            return (
                "This port does not seem to apply the baud rate: a unit answers at a rate that no"
                " unit has. The settings of the units cannot be told through it."
            )
        if self.parity:
            return (
                "This port does not seem to apply parity: a unit answers with even, odd and no"
                " parity alike. Units that differ in parity only cannot be told apart through it."
            )
        return ""


def find_ignored(
    line: Line, address: int, probe: Probe, waits: Waits
) -> Generator[WireStep, None, IgnoredSettings]:
    """Ask the unit at `address` at settings it cannot have; the line is left as it was.

    Raises `PortError` if the port fails.
    """
    own = line.settings

    def answers_at(settings: LineSettings) -> Generator[WireStep, None, bool]:
        try:
            line.apply(settings)
        except PortError:
            return False  # a rate that the port refuses is one that it applies
        request = probe.request(address)
        for _ in range(_TRIES):
            yield Asking.of(request, settings, waits)
            if not judge(request, line.exchange(request, waits)).present:
                return False
        return True

    try:
        baud = yield from answers_at(replace(own, baud=_UNUSED_BAUD))
        parity = True
        for other in Parity:
            if parity and other is not own.parity:
                parity = yield from answers_at(replace(own, parity=other, stop_bits=1))
        return IgnoredSettings(baud=baud, parity=parity)
    finally:
        line.apply(own)

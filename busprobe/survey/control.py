"""Control probes: what a port does not apply, and units that answer whatever is asked.

Both make one unit look like many, so they are looked for as soon as the first one answers.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings, Parity
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.survey.probes import Probe

_UNUSED_BAUD = 1800
"""A rate that POSIX systems know and no unit is delivered with: who answers there hears any rate."""
_SELDOM = (231, 246, 173, 219)
"""Addresses hardly ever given to a unit."""
_RESERVED = (249, 253)
"""Addresses no unit may have (V1.02 section 2.2), service addresses of known kinds (248, 254, 255) left out."""
_TRIES = 2

Ask = Callable[[int, Probe, Waits], Reply]
"""Sends a probe to an address at the line's present settings."""


@dataclass(frozen=True)
class Blindness:
    """Which part of the line settings a port does not apply; told by a unit that answers at settings it cannot have."""

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
                "This port does not seem to apply the baud rate: a unit answers at a rate that no unit has. "
                "The settings of the units cannot be told through it."
            )
        if self.parity:
            return (
                "This port does not seem to apply parity: a unit answers with even, odd and no parity alike. "
                "Units that differ in parity only cannot be told apart through it."
            )
        return ""


def blindness(line: Line, address: int, probe: Probe, waits: Waits) -> Blindness:
    """Ask the unit at `address` at settings it cannot have; the line is left as it was.

    Raises `PortError` if the port fails.
    """
    own = line.settings

    def answers_at(settings: LineSettings) -> bool:
        try:
            line.apply(settings)
        except PortError:
            return False  # a rate that the port refuses is one that it applies
        request = probe.request(address)
        return all(judge(request, line.exchange(request, waits)).present for _ in range(_TRIES))

    try:
        others = [replace(own, parity=parity, stop_bits=1) for parity in Parity if parity is not own.parity]
        return Blindness(
            baud=answers_at(replace(own, baud=_UNUSED_BAUD)),
            parity=all(answers_at(settings) for settings in others),
        )
    finally:
        line.apply(own)


def impostor(line: Line, probe: Probe, waits: Waits, known: Collection[int]) -> str | None:
    """Ask addresses that should be empty; words about a unit that answers there too, None if there is none.

    `known` are addresses where somebody was found.  Raises `PortError` if the port fails.
    """

    def answered(addresses: Collection[int]) -> list[Reply]:
        requests = [probe.request(address) for address in addresses]
        replies = [judge(request, line.exchange(request, waits)) for request in requests]
        return [r for r in replies if r.present or r.verdict is Verdict.FOREIGN]

    empty = [address for address in _SELDOM if address not in known][:3]
    seldom = answered(empty)
    if len(seldom) < len(empty):
        return None
    reserved = answered(_RESERVED)
    if not reserved:
        return None
    named = ", ".join(both_forms(r.request.address) for r in (*seldom, *reserved))
    own = {r.address for r in (*seldom, *reserved) if r.verdict is Verdict.FOREIGN}
    answers_as = f", each time as {both_forms(own.pop() or 0)}" if len(own) == 1 else ""
    return (
        f"It answers whatever address is asked ({named}{answers_as}): a unit for a line of its own, or a gateway. "
        "Take it off to find the others."
    )

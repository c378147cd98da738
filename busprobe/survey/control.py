"""Control probes: what a port does not apply, and units that answer whatever is asked.

Both make one unit look like many, so they are looked for as soon as the first one answers.
"""

from __future__ import annotations

from collections.abc import Collection, Generator, Iterable, Mapping
from dataclasses import dataclass, replace

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings, Parity
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Request
from busprobe.survey.asking import Asking, Step
from busprobe.survey.probes import Probe, ladder

_UNUSED_BAUD = 1800
"""A rate that POSIX systems know and no unit is delivered with: who answers there hears any rate.
"""
_SELDOM = (231, 246, 173, 219)
"""Addresses hardly ever given to a unit."""
_RESERVED = (250, 253)
"""Addresses no unit may have (V1.02 section 2.2), an even and an odd one; service addresses of
known kinds (248, 254, 255) are left out."""
_TRIES = 2


@dataclass(frozen=True)
class Blindness:
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


def blindness(
    line: Line, address: int, probe: Probe, waits: Waits
) -> Generator[Step, None, Blindness]:
    """Ask the unit at `address` at settings it cannot have; the line is left as it was.

    Raises `PortError` if the port fails.
    """
    own = line.settings

    def answers_at(settings: LineSettings) -> Generator[Step, None, bool]:
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
        return Blindness(baud=baud, parity=parity)
    finally:
        line.apply(own)


Voice = Mapping[tuple[bool, bytes], bytes]
"""What is said at addresses that no unit may have: from whether the address is odd, and the request
without address and CRC, to the reply without them."""


@dataclass(frozen=True)
class Everywhere:
    """Somebody answers at addresses that nobody has."""

    words: str
    voice: Voice | None
    """Where registers are refused everywhere, a gateway or server speaks for absent units, and
    present ones can be told by saying anything else.  None where a unit gives data everywhere, so
    that none can."""

    def explains(self, reply: Reply) -> bool:
        """Whether `reply` is what an absent unit's would be."""
        return self.voice is not None and self.voice.get(_key(reply)) in (None, reply.frame[1:-2])


def everywhere(
    line: Line, probe: Probe, waits: Waits, known: Collection[int]
) -> Generator[Step, None, Everywhere | None]:
    """Ask addresses that should be empty, and addresses no unit may have; None if nobody answers
    there.

    `known` are addresses where somebody was found.  Raises `PortError` if the port fails.
    """

    def answered(requests: Iterable[Request]) -> Generator[Step, None, list[Reply]]:
        replies = []
        for request in requests:
            yield Asking.of(request, line.settings, waits)
            replies.append(judge(request, line.exchange(request, waits)))
        return [r for r in replies if r.present or r.verdict is Verdict.FOREIGN]

    empty = [address for address in _SELDOM if address not in known][:3]
    seldom = yield from answered(probe.request(address) for address in empty)
    if len(seldom) < len(empty):
        return None
    reserved = yield from answered(probe.request(address) for address in _RESERVED)
    if len(reserved) < len(_RESERVED):
        return None
    replies = [*seldom, *reserved]
    named = ", ".join(both_forms(r.request.address) for r in replies)
    if not any(r.verdict is Verdict.FOREIGN for r in replies):
        own_words = yield from answered(
            request for address in _RESERVED for request in ladder(address)
        )
        said = [r for r in own_words if r.present]
        if not any(r.registers for r in said):
            return Everywhere(
                f"Somebody answers whatever address is asked ({named}) and refuses all registers"
                " there: a gateway or server that speaks for absent units. Only who says anything"
                " else is counted as a unit.",
                {_key(r): r.frame[1:-2] for r in said},
            )
    own = {r.address for r in replies if r.verdict is Verdict.FOREIGN}
    answers_as = f", each time as {both_forms(own.pop() or 0)}" if len(own) == 1 else ""
    return Everywhere(
        f"A unit answers whatever address is asked ({named}{answers_as}): made for a line of its"
        " own, or a gateway. Take it off to find the others.",
        None,
    )


def _key(reply: Reply) -> tuple[bool, bytes]:
    return reply.request.address % 2 == 1, reply.request.frame[1:-2]

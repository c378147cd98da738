"""Which registers to ask for together.

Only registers that touch are read in one request: a unit may refuse a whole request for a single register that it does
not have (MODBUS Application Protocol V1.1b3, section 7, exception 02).  A value is never split over two requests, so
its parts belong to the same moment.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from busprobe.profiles.schema import Profile

Registers = Mapping[tuple[int, int], int | None]
"""Function code and wire address to the value read; None where the unit refused it."""


@dataclass(frozen=True, order=True)
class Block:
    """Registers to be read by one request."""

    function: int
    """Function code: 3 or 4."""
    register: int
    """Wire address of the first."""
    count: int

    def answered(self, values: Iterable[int]) -> dict[tuple[int, int], int | None]:
        """The unit gave `values`."""
        return {(self.function, self.register + i): value for i, value in enumerate(values)}

    def refused(self) -> dict[tuple[int, int], int | None]:
        """The unit refused: exception 01, 02 or 03.  Silence is no refusal and is not to be noted as one."""
        return {(self.function, self.register + i): None for i in range(self.count)}


def blocks(profile: Profile) -> tuple[Block, ...]:
    """The requests that read all points of `profile` within its unit's limits, by function code and register."""
    spans = ((point.function, point.at.wire, point.count) for point in profile.points)
    return _joined(spans, profile.limits.registers)


def fingerprint_blocks(profiles: Iterable[Profile]) -> tuple[Block, ...]:
    """The requests that read all fingerprint registers of `profiles`, to tell them apart; each once.

    Registers of different profiles are never read together: a unit of one type would refuse the other's with its own.
    For the same reason a value read by one of these requests outranks a refusal met with another.
    """
    found: set[Block] = set()
    for profile in profiles:
        spans = ((test.function, test.at.wire, 1) for test in profile.fingerprint.registers)
        found.update(_joined(spans, profile.limits.registers))
    return tuple(sorted(found))


def _joined(spans: Iterable[tuple[int, int, int]], most: int) -> tuple[Block, ...]:
    """Join spans (function code, wire address, count) that touch or overlap, up to `most` registers each."""
    joined: list[Block] = []
    for function, register, count in sorted(spans):
        if joined:
            before = joined[-1]
            together = max(before.register + before.count, register + count) - before.register
            touches = function == before.function and register <= before.register + before.count
            if touches and together <= most:
                joined[-1] = Block(function, before.register, together)
                continue
        joined.append(Block(function, register, count))
    return tuple(joined)

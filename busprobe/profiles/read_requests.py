"""Which registers to ask for together.

Only registers that touch are read in one request: a unit may refuse a whole request for a single
register that it does not have (MODBUS Application Protocol V1.1b3, section 7, exception 02).  A
value is never split over two requests, so its parts belong to the same moment; nor is it parted
from the register of its scale where the profile knows all registers between the two, for such a
scale may change from one request to the next.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from busprobe.profiles.fields import most_at_once
from busprobe.profiles.schema import Profile

Registers = Mapping[tuple[int, int], int]
"""Function code and wire address to the value read."""


Span = tuple[int, int, int]
"""Function code, wire address of the first register, how many."""


@dataclass(frozen=True, order=True)
class Block:
    """Registers to be read by one request."""

    function: int
    """Function code: 1 to 4; with 1 and 2 the registers are coils and discrete inputs."""
    register: int
    """Wire address of the first."""
    count: int

    @property
    def words(self) -> str:
        """The registers on the wire: ``30-32 by function 3``."""
        last = "" if self.count == 1 else f"-{self.register + self.count - 1}"
        return f"{self.register}{last} by function {self.function}"

    def answered(self, values: Iterable[int]) -> dict[tuple[int, int], int]:
        """The unit gave `values`."""
        return dict(zip(self.keys, values, strict=True))

    @property
    def keys(self) -> tuple[tuple[int, int], ...]:
        """Function code and wire address of each register."""
        return tuple((self.function, self.register + i) for i in range(self.count))


def blocks(profile: Profile) -> tuple[Block, ...]:
    """The requests that read all points of `profile` within its unit's limits, by function code and
    register."""
    return _joined(_spans(profile), profile.limits.registers)


def _spans(profile: Profile) -> Iterator[Span]:
    own = [(p.function, p.at.wire, p.count) for p in profile.points]
    scales = [(p.function, p.scale_register.at.wire, 1) for p in profile.points if p.scale_register]
    known = {(function, first + i) for function, first, count in own + scales for i in range(count)}
    yield from own
    yield from scales
    for point in profile.points:
        if point.scale_register:
            scale = point.scale_register.at.wire
            first, last = min(point.at.wire, scale), max(point.last, scale)
            together = last - first + 1
            if together <= profile.limits.registers and all(
                (point.function, r) in known for r in range(first, last)
            ):
                yield point.function, first, together


def fingerprint_blocks(profiles: Iterable[Profile]) -> tuple[Block, ...]:
    """The requests that read all fingerprint registers of `profiles`, to tell them apart; each
    once.

    Registers of different profiles are not in one block: a unit of one type would refuse the
    other's with its own. `windows` tries more of them at once.
    """
    found: set[Block] = set()
    for profile in profiles:
        spans = ((test.function, test.at.wire, 1) for test in profile.fingerprint.registers)
        found.update(_joined(spans, profile.limits.registers))
    return tuple(sorted(found))


def known_registers(profile: Profile) -> frozenset[tuple[int, int]]:
    """All registers that a unit of this type gives, as far as its profile says."""
    spans = (
        *_spans(profile),
        *((test.function, test.at.wire, 1) for test in profile.fingerprint.registers),
    )
    return frozenset(key for span in spans for key in Block(*span).keys)


def windows(wanted: Iterable[Block], most: int) -> tuple[tuple[Block, ...], ...]:
    """Groups of blocks that one request of at most `most` registers can cover, with whatever lies
    between them."""
    groups: list[tuple[Block, ...]] = []
    for block in sorted(wanted):
        if (
            groups
            and groups[-1][0].function == block.function
            and covering((*groups[-1], block)).count <= most
        ):
            groups[-1] = (*groups[-1], block)
        else:
            groups.append((block,))
    return tuple(groups)


def covering(group: Sequence[Block]) -> Block:
    """The one request that covers `group`, blocks of one function code."""
    first = min(block.register for block in group)
    return Block(
        group[0].function, first, max(block.register + block.count for block in group) - first
    )


def halves(group: Sequence[Block]) -> tuple[tuple[Block, ...], tuple[Block, ...]]:
    """`group`, at least two blocks, parted at the widest gap: that is where a register is most
    likely missing."""
    blocks_ = sorted(group)
    ends = [block.register + block.count for block in blocks_]
    _, at = max((blocks_[i].register - max(ends[:i]), i) for i in range(1, len(blocks_)))
    return tuple(blocks_[:at]), tuple(blocks_[at:])


def apart(profile: Profile, block: Block) -> tuple[Block, ...]:
    """What `block` of `profile` is made of, each value by itself: for a unit that refuses the
    whole."""
    parts = {Block(*span) for span in _spans(profile)}
    inside = (
        part
        for part in parts
        if part.function == block.function
        and block.register <= part.register
        and part.register + part.count <= block.register + block.count
    )
    return tuple(sorted(inside))


def _joined(spans: Iterable[Span], most: int) -> tuple[Block, ...]:
    """Join spans that touch or overlap, up to `most` registers each, or the bits that take as many
    bytes."""
    joined: list[Block] = []
    for function, register, count in sorted(spans):
        if joined:
            before = joined[-1]
            together = max(before.register + before.count, register + count) - before.register
            touches = function == before.function and register <= before.register + before.count
            if touches and together <= most_at_once(function, most):
                joined[-1] = Block(function, before.register, together)
                continue
        joined.append(Block(function, register, count))
    return tuple(joined)

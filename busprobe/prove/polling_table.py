"""The polling table: the fewest and cheapest requests that fetch everything wanted, and how long
they take.

A request costs its time on the bus (`busprobe.line.timing`).  Two points are read together where
the registers between them cost less than a request of their own.  How a unit's points are best
grouped into requests is found by dynamic programming over the points in order of their registers:
where no two points share registers, the result is the cheapest of all tables in which each point is
read by one request, and a request is repeated as often as its most urgent point asks for.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import groupby
from math import inf

from busprobe.errors import UsageError
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, LineSettings
from busprobe.line.timing import exchange_time, latency_at
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.requests import (
    READ_REQUEST_BYTES,
    Function,
    Request,
    read,
    read_reply_bytes,
)
from busprobe.profiles.fields import MOST_REGISTERS, most_at_once
from busprobe.profiles.read_requests import Block


@dataclass(frozen=True)
class Wanted:
    """A point that the master is to read."""

    name: str
    block: Block
    """Its registers; they are read by one request, so that its parts belong to the same moment."""
    every_s: float
    """Seconds after which a new value is wanted."""


@dataclass(frozen=True)
class PolledUnit:
    """A unit, what is wanted of it and what it can take."""

    place: Place
    wanted: tuple[Wanted, ...]
    latency_s: float
    """Seconds from the end of a request to the first byte of its reply, best the median of an
    endurance run."""
    most: int = MOST_REGISTERS
    """Registers it gives in one request."""
    gap_s: float = 0.0
    """Silence in seconds that it needs before a request, beyond the 3.5 characters of the standard.
    """
    refused: tuple[Block, ...] = ()
    """Registers it is known to refuse; no request touches them."""


@dataclass(frozen=True)
class PollingRow:
    """One request of the table."""

    place: Place
    block: Block
    every_s: float
    """Seconds between two of this request."""
    names: tuple[str, ...]
    """The points it fetches."""
    between: tuple[Block, ...]
    """Registers it reads only because they lie between wanted ones; whether the unit has them is to
    be seen."""
    latency_s: float
    """Seconds from its end to the first byte of the reply."""
    gap_s: float
    """Silence in seconds before it, beyond the 3.5 characters of the standard."""

    @property
    def request(self) -> Request:
        """The request itself."""
        return read(
            self.place.address, Function(self.block.function), self.block.register, self.block.count
        )

    @property
    def seconds(self) -> float:
        """How long it takes at the unit's present settings, the silence before it included."""
        return _read_time(self.place.settings, self.block, self.latency_s, self.gap_s)

    def at_baud(self, baud: int) -> PollingRow:
        """The same request at another baud rate."""
        settings = replace(self.place.settings, baud=baud)
        latency = latency_at(self.latency_s, self.place.settings, settings)
        return replace(self, place=Place(self.place.address, settings), latency_s=latency)


@dataclass(frozen=True)
class Hindrance:
    """Why a unit cannot be asked for some registers by one request."""

    block: Block
    most: int
    """Registers that the unit gives in one request; fewer than these are too many."""
    refused: Block | None = None
    """What it is known to refuse of them; None where they are too many."""


@dataclass(frozen=True)
class LeftOut:
    """A point that no request may fetch."""

    place: Place
    name: str
    hindrance: Hindrance


@dataclass(frozen=True)
class PollingTable:
    """The requests of a master, in the order of its cycle."""

    rows: tuple[PollingRow, ...]
    left_out: tuple[LeftOut, ...] = ()

    @property
    def cycle_s(self) -> float:
        """Seconds that all requests, one after the other, take at the present settings.

        Where a port has to change settings between units, each change takes the time of a character
        more.
        """
        return sum(row.seconds for row in self.rows)

    @property
    def load(self) -> float:
        """Share of the time that the requests take when each is sent as often as wanted; above 1 it
        cannot be done."""
        return sum(row.seconds / row.every_s for row in self.rows)

    def at_baud(self, baud: int) -> PollingTable:
        """The same requests at another baud rate, character formats unchanged."""
        return replace(self, rows=tuple(row.at_baud(baud) for row in self.rows))

    def cycles(self) -> dict[int, float]:
        """Seconds of a whole cycle at each common baud rate."""
        return {baud: self.at_baud(baud).cycle_s for baud in COMMON_BAUDS}


def polling_table(units: Iterable[PolledUnit]) -> PollingTable:
    """The cheapest requests for everything wanted of `units`.

    A point that the unit refuses or that is longer than the unit gives at once is left out and
    named. Raises `UsageError` for an interval that is no time.
    """
    rows: list[PollingRow] = []
    left_out: list[LeftOut] = []
    for unit in units:
        readable = []
        for wanted in unit.wanted:
            if not wanted.every_s > 0:
                raise UsageError(
                    f"Point '{wanted.name}' of unit {both_forms(unit.place.address)} is wanted"
                    f" every {wanted.every_s:g} s.",
                    todo="Give an interval longer than 0 s.",
                )
            hindrance = _hindrance(unit, wanted.block)
            if hindrance is not None:
                left_out.append(LeftOut(unit.place, wanted.name, hindrance))
            else:
                readable.append(wanted)
        readable.sort(key=lambda wanted: wanted.block)
        for _, same_function in groupby(readable, key=lambda wanted: wanted.block.function):
            rows.extend(
                _row(unit, together) for together in cheapest_cut(unit, tuple(same_function))
            )
    return PollingTable(tuple(rows), tuple(left_out))


def cheapest_cut(unit: PolledUnit, wanted: Sequence[Wanted]) -> list[Sequence[Wanted]]:
    """Cut `wanted`, sorted and of one function code, into the groups that are cheapest to read with
    one request each.

    Cost is time on the line per second; of equally cheap cuts the one with fewer requests.  Each
    point alone must be readable.  Where points do not share registers, two requests of one interval
    never reach into each other in a cheapest cut, and a request for points that are wanted more
    often lies within a slower one or apart from it: elsewhere one of the two could be shorter.  So
    what lies within a slower request is a smaller task of the same kind.
    """
    paces = sorted({one.every_s for one in wanted})

    @cache
    def best(start: int, end: int, below: float) -> tuple[float, int, tuple[int, int, float]]:
        """Cost and requests for those of ``wanted[start:end]`` that are wanted every so many
        seconds, `below` excluded; and the first request: numbers of its first and last point, and
        the interval from which on it takes points.
        """
        first = next((n for n in range(start, end) if wanted[n].every_s < below), end)
        if first == end:
            return 0.0, 0, (end, end, below)
        options = []
        for pace in (each for each in paces if each <= wanted[first].every_s):
            ends, every = 0, below
            for last in range(first, end):
                one = wanted[last]
                if not pace <= one.every_s < below:
                    continue
                ends, every = (
                    max(ends, one.block.register + one.block.count),
                    min(every, one.every_s),
                )
                block = replace(wanted[first].block, count=ends - wanted[first].block.register)
                if _hindrance(unit, block):
                    break  # ending still later only makes it longer
                seconds = _read_time(unit.place.settings, block, unit.latency_s, unit.gap_s)
                inner = best(first, last + 1, pace) if pace > paces[0] else (0.0, 0, ())
                rest = best(last + 1, end, below)
                options.append(
                    (
                        seconds / every + inner[0] + rest[0],
                        1 + inner[1] + rest[1],
                        (first, last, pace),
                    )
                )
        return min(options)

    for start in reversed(range(len(wanted))):
        best(start, len(wanted), inf)  # from the end on, so that no call goes deep
    cuts: list[Sequence[Wanted]] = []
    tasks = [(0, len(wanted), inf)]
    while tasks:
        start, end, below = tasks.pop()
        _, _, (first, last, pace) = best(start, end, below)
        if first < end:
            cuts.append(
                tuple(one for one in wanted[first : last + 1] if pace <= one.every_s < below)
            )
            tasks += [(first, last + 1, pace), (last + 1, end, below)]
    return sorted(cuts, key=_span)


def _read_time(settings: LineSettings, block: Block, latency_s: float, gap_s: float) -> float:
    reply = read_reply_bytes(block.count, Function(block.function))
    return exchange_time(settings, READ_REQUEST_BYTES, reply, latency_s, gap_s)


def _span(wanted: Sequence[Wanted]) -> Block:
    """The registers from the first to the last of `wanted`, which are sorted."""
    first = wanted[0].block
    end = max(one.block.register + one.block.count for one in wanted)
    return Block(first.function, first.register, end - first.register)


def _every(wanted: Sequence[Wanted]) -> float:
    return min(one.every_s for one in wanted)


def _hindrance(unit: PolledUnit, block: Block) -> Hindrance | None:
    """What keeps `unit` from being asked for `block`, if anything does."""
    most = most_at_once(block.function, unit.most)
    if block.count > most:
        return Hindrance(block, most)
    for refused in unit.refused:
        apart = (
            refused.function != block.function
            or refused.register >= block.register + block.count
            or block.register >= refused.register + refused.count
        )
        if not apart:
            return Hindrance(block, most, refused)
    return None


def _row(unit: PolledUnit, wanted: Sequence[Wanted]) -> PollingRow:
    block = _span(wanted)
    between = []
    reached = block.register
    for one in wanted:
        if one.block.register > reached:
            between.append(Block(block.function, reached, one.block.register - reached))
        reached = max(reached, one.block.register + one.block.count)
    return PollingRow(
        place=unit.place,
        block=block,
        every_s=_every(wanted),
        names=tuple(one.name for one in wanted),
        between=tuple(between),
        latency_s=unit.latency_s,
        gap_s=unit.gap_s,
    )

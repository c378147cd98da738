"""Playing a master: every request of a table at its interval, with its timeout and its retries.

A master polls on a schedule: each request is due a whole number of intervals after the start, in
the order of the table where several are due.  One that is due again before its turn has come is
skipped and counted, not sent twice in a row.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from threading import Event as StopFlag

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.timing import silence_before
from busprobe.modbus.replies import Reply, judge
from busprobe.profiles.values import decode
from busprobe.prove.request_table import TablePoint, TableRequest
from busprobe.prove.statistics import Times

_LOOK = 0.1
"""Seconds of waiting after which it is seen whether to stop."""


@dataclass(frozen=True)
class RequestTally:
    """What became of one request of the table."""

    request: TableRequest
    asked: int = 0
    """How often its turn came; retries do not count."""
    refused: int = 0
    """Turns that ended with an exception."""
    missed: int = 0
    """Turns without a valid reply or an exception, after all retries."""
    retried: int = 0
    """Requests that were sent again."""
    skipped: int = 0
    """Turns left out, because it was due again before its turn came."""
    cycles: Times = field(default_factory=Times)
    """True cycle times: from one turn to the next, measured where the request was sent."""


@dataclass(frozen=True)
class Asked:
    """A request had its turn."""

    number: int
    """Place of the request in the table, from 0."""
    request: TableRequest
    reply: Reply
    """The last reply."""
    cycle_s: float | None
    """Seconds since its turn before; None at its first."""
    values: tuple[str, ...]
    """What its points read now, in the order of its points; what they read before where nothing
    came."""
    tallies: tuple[RequestTally, ...]
    """Everything counted so far."""

    @property
    def missed(self) -> bool:
        """Whether no valid reply and no exception came."""
        return not self.reply.present


@dataclass(frozen=True)
class PlayEnded:
    """It is over: the time was up, it was stopped, or the port failed."""

    seconds: float
    tallies: tuple[RequestTally, ...]
    failure: PortError | None = None
    """What happened to the port, if that ended it."""


def play(
    line: Line,
    requests: Sequence[TableRequest],
    *,
    seconds: float | None = None,
    stop: StopFlag | None = None,
) -> Iterator[Asked | PlayEnded]:
    """Ask `requests` on `line` at their intervals for so many seconds, or until `stop` is set; the
    last event is `PlayEnded`."""
    return _Play(line, requests, stop or StopFlag()).events(seconds)


@dataclass
class _Turn:
    """When a request is due, and when its turn before was."""

    due: float | None
    """None where it is asked no more."""
    sent: float | None = None


class _Play:
    def __init__(self, line: Line, requests: Sequence[TableRequest], stop: StopFlag) -> None:
        self.line = line
        self.stop = stop
        self.tallies = [RequestTally(request) for request in requests]
        self.started = line.clock.now()
        self.turns = [_Turn(self.started) for _ in requests]
        self._held: dict[tuple[Place, tuple[int, int]], int] = {}

    def events(self, seconds: float | None) -> Iterator[Asked | PlayEnded]:
        end = None if seconds is None else self.started + seconds
        failure = None
        try:
            while (number := self._next()) is not None:
                if not self._wait(self.turns[number].due or 0.0, end):
                    break
                yield self._ask(number)
        except PortError as error:
            failure = error
        yield PlayEnded(self.line.clock.now() - self.started, tuple(self.tallies), failure)

    def _next(self) -> int | None:
        """The request whose turn is next: the first in the table of those that are due, else the
        one that is due first."""
        now = self.line.clock.now()
        due = [
            (max(turn.due, now), number)
            for number, turn in enumerate(self.turns)
            if turn.due is not None
        ]
        return min(due)[1] if due else None

    def _wait(self, moment: float, end: float | None) -> bool:
        """Whether the moment came before the end, and nobody stopped it."""
        clock = self.line.clock
        until = moment if end is None else min(moment, end)
        while not self.stop.is_set() and clock.now() < until:
            clock.sleep_until(min(until, clock.now() + _LOOK))
        return not self.stop.is_set() and (end is None or (moment < end and clock.now() < end))

    def _ask(self, number: int) -> Asked:
        tally, turn = self.tallies[number], self.turns[number]
        asked = tally.request
        reply, sent, repeats = self._exchange(asked)
        cycle = None if turn.sent is None else sent - turn.sent
        turn.sent = sent
        if reply.valid:
            for key, word in asked.block.answered(reply.registers).items():
                self._held[asked.place, key] = word
        self.tallies[number] = replace(
            tally,
            asked=tally.asked + 1,
            refused=tally.refused + (reply.present and not reply.valid),
            missed=tally.missed + (not reply.present),
            retried=tally.retried + repeats,
            skipped=tally.skipped + self._schedule(turn, asked.every_s),
            cycles=tally.cycles if cycle is None else tally.cycles.adding(cycle),
        )
        values = tuple(self._value(asked, point) for point in asked.points)
        return Asked(number, asked, reply, cycle, values, tuple(self.tallies))

    def _exchange(self, asked: TableRequest) -> tuple[Reply, float, int]:
        """The last reply, when the first request was sent, and how often it was sent again."""
        settings = asked.place.settings
        self.line.apply(settings)
        waits = Waits(reply=asked.timeout_s, quiet=max(asked.quiet_s, silence_before(settings)))
        request = asked.request
        reply = judge(request, self.line.exchange(request, waits))
        sent = reply.exchange.sent
        repeats = 0
        while not reply.present and repeats < asked.retries and not self.stop.is_set():
            repeats += 1
            reply = judge(request, self.line.exchange(request, waits))
        return reply, sent, repeats

    def _schedule(self, turn: _Turn, every: float | None) -> int:
        """Set when the request is due next; the number of turns that are left out."""
        if every is None or turn.due is None:
            turn.due = None
            return 0
        late = self.line.clock.now() - turn.due
        left_out = max(0, int(late // every) - 1) if late >= every else 0
        turn.due += every * (1 + left_out)
        return left_out

    def _value(self, asked: TableRequest, point: TablePoint) -> str:
        words = [self._held.get((asked.place, key)) for key in point.block.keys]
        found = [word for word in words if word is not None]
        if len(found) < len(words):
            return ""
        if point.point is None:
            return " ".join(f"0x{word:04X}" for word in found)
        scale = None
        if point.point.scale_register is not None:
            at = point.point.scale_register.at.wire
            scale = self._held.get((asked.place, (point.block.function, at)))
            if scale is None:
                return "no scale yet"
        return decode(point.point, found, scale).text

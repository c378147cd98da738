"""The traffic of another master: how much of the time is its own, and when it pauses.

Nothing here depends on what its bytes say, so that a master at another baud rate is met alike.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, Verdict
from busprobe.modbus.requests import READ_REQUEST_BYTES, Request, read_reply_bytes
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.survey import probes
from busprobe.survey.interference import is_damaged, other_frames
from busprobe.survey.probes import Listening, WireStep

_LEARN_SLICE = 2.0
"""Seconds listened at a time to learn a rhythm."""
_LEARN_MOST = 12.0
"""Seconds listened at most: a master that asks more seldom is met seldom."""
_BURSTS = 10
"""Bursts of traffic that show a rhythm."""
_FEWEST_BURSTS = 3
_TRIES = 4
"""Attempts at a request that the other master spoils."""
_MOST_BURSTS = 8
"""Bursts after which a pause is waited for no longer."""
_KEPT = 24
"""Bursts that are remembered: a rhythm may change."""
_LATENCY = 0.05
"""Seconds in which nearly every unit begins its reply (common practice: 5 to 30 ms, and what an
adapter adds)."""
_MARGIN = 0.01
"""Seconds kept before the next burst is expected."""
_LATE = 0.25
"""Seconds in which a unit has replied to a request that was spoilt (common practice)."""
_ROOM = 1.25
"""How many times the time that a request needs a pause must last that is counted upon."""
_PIECE = 4
"""Bytes that are compared with what was heard; four alike by chance come once in 2^32."""
_MOST_PIECES = 4096
_EARLY = 0.03
"""Seconds by which a burst may come before it is expected; some of it may be the adapter's."""
_QUIET = 0.015
"""Seconds of silence after which a burst that was expected is over."""
_SHORT_SHARE = 0.2
"""Share of the intervals that may be shorter than is counted with: what meets them is asked
again."""
_EVEN = 0.25
"""By what share intervals differ that count as alike."""


def needed(settings: LineSettings) -> float:
    """Seconds of silence that a request and the beginning of most replies need."""
    return settings.wire_time(READ_REQUEST_BYTES + read_reply_bytes(2)) + _LATENCY


@dataclass(frozen=True)
class Rhythm:
    """When another master sends."""

    interval: float
    """Seconds from the start of its last burst to that of the next, as short as may be."""
    burst: float
    """Seconds that a burst takes, a long one."""

    @property
    def pause(self) -> float:
        """Seconds in which a request and its reply disturb nothing."""
        return self.interval - self.burst - _QUIET - _MARGIN


class OtherTraffic:
    """What is known of another master, and waiting for its pauses."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._bursts: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        """Start and end of each, in clock seconds."""
        self._known: set[tuple[int, int, int]] = set()
        self._pieces: set[bytes] = set()
        """Parts of what it sends, as they come through at these line settings."""
        self.learnt = False
        """Whether its rhythm was listened for."""
        self.share = 0.0
        """Share of the time that its bytes and those of its units took."""
        self.overheard: tuple[Frame, ...] = ()
        """Frames heard while its pauses were waited for; whoever looks at them clears them."""
        self.spoilt: set[Place] = set()
        """Where it spoilt each attempt at some request."""

    def rhythm(self) -> Rhythm | None:
        """What follows its last burst; None where it sends so seldom that nothing was seen."""
        return self._after(len(self._bursts) - 1)

    def _after(self, number: int) -> Rhythm | None:
        """What follows a burst, by what followed others that came as long after the one before."""
        if len(self._bursts) < _FEWEST_BURSTS:
            return None
        intervals = self._intervals
        last = intervals[number - 1] if number else intervals[0]
        likely = sorted(_followers(intervals, last) or intervals)
        lengths = sorted(end - start for start, end in self._bursts)
        return Rhythm(
            likely[int(_SHORT_SHARE * len(likely))],
            lengths[-1 - int(_SHORT_SHARE * len(lengths))],
        )

    @property
    def _intervals(self) -> list[float]:
        """Seconds from the start of each burst to that of the next."""
        return [late - early for (early, _), (late, _) in pairwise(self._bursts)]

    @property
    def longest_interval(self) -> float:
        """Seconds in which a burst is sure to begin and to end."""
        return max(_LEARN_SLICE / 2, 2 * max(self._intervals, default=0.0))

    @property
    def even(self) -> bool:
        """Whether it sends by a clock, as noise does not."""
        intervals = self._intervals
        for polls in range(1, len(intervals) // 2 + 1):
            rounds = [*zip(intervals, intervals[polls:], strict=False)]
            if len(rounds) >= _FEWEST_BURSTS and all(
                abs(one - other) <= _EVEN * max(one, other) for one, other in rounds
            ):
                return True
        return False

    @property
    def pauses(self) -> tuple[float, ...]:
        """Seconds of pause behind each of its last bursts."""
        after = map(self._after, range(len(self._bursts)))
        return tuple(rhythm.pause for rhythm in after if rhythm is not None)

    @property
    def slowdown(self) -> float:
        """How many times as long a survey takes as without the other master."""
        need = needed(self._line.settings)
        usable = sum(pause for pause in self.pauses if pause >= need)
        if not usable:
            return 1.0
        return max(1.0, (self._bursts[-1][1] - self._bursts[0][0]) / usable)

    @property
    def leaves_room(self) -> bool:
        """Whether there are pauses long enough for a request and its reply."""
        need = needed(self._line.settings)
        if len(self._bursts) < _FEWEST_BURSTS:
            return all(end - start < _LEARN_SLICE / 2 for start, end in self._bursts)
        return any(pause >= _ROOM * need for pause in self.pauses)

    @property
    def unread(self) -> bool:
        """Whether bytes were heard that make no frame at these line settings."""
        return bool(self._bursts) and not self._known

    def knows(self, frame: Frame) -> bool:
        """Whether such a frame was heard with nothing asked: it is of the other master's
        exchanges."""
        return _key(frame) in self._known

    def talks_with(self, address: int) -> bool:
        """Whether the other master asks the unit at `address`, or is answered by it."""
        return any(heard == address for heard, _, _ in self._known)

    def forget(self) -> None:
        """What was heard was no other master's."""
        self._bursts.clear()
        self.learnt = False

    def heard(self, frames: Iterable[Frame]) -> None:
        """These frames are of its exchanges."""
        self._known.update(map(_key, frames))

    def observe(self, chunks: Sequence[Chunk]) -> None:
        """Learn from what came with nothing asked; parts of one exchange are one burst, as long as
        no request fits between them."""
        settings = self._line.settings
        piece = b""
        last = 0.0
        for chunk in chunks:
            start = chunk.at - settings.wire_time(len(chunk.data))
            piece = (piece if start - last < settings.t3_5 else b"") + chunk.data
            last = chunk.at
            if len(piece) >= _PIECE and len(self._pieces) < _MOST_PIECES:
                self._pieces.add(piece[-_PIECE:])
            if self._bursts and start - self._bursts[-1][1] < needed(settings):
                self._bursts[-1] = self._bursts[-1][0], max(chunk.at, self._bursts[-1][1])
            else:
                self._bursts.append((start, chunk.at))

    def learn(self) -> Generator[Listening, None, tuple[Frame, ...]]:
        """Listen for its rhythm; returns the frames heard.  Raises `PortError` if the port
        fails."""
        self._bursts.clear()
        chunks: list[Chunk] = []
        began = self._line.clock.now()
        while len(self._bursts) < _BURSTS and self._line.clock.now() < began + _LEARN_MOST:
            yield Listening(self._line.settings, _LEARN_SLICE)
            chunks += (part := self._line.listen(_LEARN_SLICE).chunks)
            self.observe(part)
        self.learnt = True
        data = b"".join(chunk.data for chunk in chunks)
        self.share = self._line.settings.wire_time(len(data)) / (self._line.clock.now() - began)
        frames = valid_frames(data)
        self.heard(frames)
        return frames

    def wait_for_pause(self) -> Generator[Listening, None, tuple[Frame, ...]]:
        """Come back when a request can be sent, and the frames heard meanwhile; at once where
        there is no rhythm to wait for.  Raises `PortError` if the port fails."""
        need = needed(self._line.settings)
        data = b""
        for _ in range(_MOST_BURSTS if self.leaves_room else 0):
            rhythm = self.rhythm()
            if rhythm is None:
                break
            start, end = self._bursts[-1]
            now = self._line.clock.now()
            free = max(end + _QUIET, start + rhythm.burst)
            if free <= now <= start + rhythm.interval - _MARGIN - need:
                break
            # The pause has not begun, or is over: wait for the end of this burst or the next.
            soon = now < free and rhythm.pause >= need
            after = free if soon else start + rhythm.interval + rhythm.burst + _QUIET
            seconds = max(after - now, _QUIET)
            heard = yield from self._listen(seconds)
            data += heard
            if not heard and not soon:
                break  # it pauses longer than before
        return valid_frames(data)

    def _listen(self, seconds: float) -> Generator[Listening, None, bytes]:
        yield Listening(self._line.settings, seconds)
        heard = self._line.listen(seconds)
        self.observe(heard.chunks)
        return heard.data

    def ask(self, line: Line, request: Request, waits: Waits) -> Generator[WireStep, None, Reply]:
        """One exchange in a pause of the other master, again where its bytes came all the same.

        Where they come each time nothing is known of the unit asked, which counts as silent here
        and is among `spoilt`.
        """
        for _ in range(_TRIES):
            self.overheard += yield from self.wait_for_pause()
            reply = yield from probes.ask(line, request, waits)
            if not self._is_theirs(reply):
                return self._cleaned(reply)
            if _began(reply) >= _LATENCY:
                break
            # Its reply may still come, and is none to the next attempt.
            heard = yield from self._listen(_LATE)
            self.overheard += valid_frames(heard)
        else:
            self.spoilt.add(Place(request.address, reply.exchange.settings))
        return replace(self._cleaned(reply), verdict=Verdict.SILENT, frame=b"")

    def _is_theirs(self, reply: Reply) -> bool:
        """Whether the other master explains what came back: its next burst was due, or there are
        frames of its own in it."""
        if reply.verdict in (Verdict.FOREIGN, Verdict.NOT_CONFORMING):
            return self.knows(Frame(reply.frame))
        return is_damaged(reply) and (
            self._is_due(reply)
            or any(map(self.knows, other_frames(reply)))
            or self._holds_piece(reply.exchange.received)
        )

    def _holds_piece(self, data: bytes) -> bool:
        """Whether `data` holds a part of what the other master sends."""
        return any(data[at : at + _PIECE] in self._pieces for at in range(len(data) - _PIECE + 1))

    def _cleaned(self, reply: Reply) -> Reply:
        """`reply` without the bytes around it that the other master explains."""
        due = self._is_due(reply)

        def rest(data: bytes) -> bytes:
            frames = valid_frames(data)
            known = bool(frames) and all(map(self.knows, frames))
            theirs = due or self._holds_piece(data)
            return b"" if known or (theirs and not frames) else data

        exchange = replace(reply.exchange, leftover=rest(reply.exchange.leftover))
        return replace(
            reply,
            exchange=exchange,
            stray_before=rest(reply.stray_before),
            stray_after=rest(reply.stray_after),
        )

    def _is_due(self, reply: Reply) -> bool:
        """Whether its next burst was to be expected before the exchange was over."""
        rhythm = self.rhythm()
        if rhythm is None:
            return False
        start, _ = self._bursts[-1]
        return reply.exchange.ended >= start + rhythm.interval - _EARLY


def _followers(intervals: Sequence[float], last: float) -> list[float]:
    """The intervals that came behind one about as long as `last`."""
    return [then for one, then in pairwise(intervals) if abs(one - last) <= _EVEN * last]


def _began(reply: Reply) -> float:
    """Seconds from the end of the request to the first byte back."""
    latency = reply.exchange.latency
    return 0.0 if latency is None or reply.exchange.leftover else latency


def _key(frame: Frame) -> tuple[int, int, int]:
    return frame.address, frame.data[1], len(frame.data)

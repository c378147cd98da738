"""The evidence that symptoms are read from: all bytes heard on a pair, and what can be told of each
reply by itself."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

from busprobe.line.exchange import Heard
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import EXCEPTION_FLAG
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Request, read_reply_bytes
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.wiring import byte_patterns

_TOGETHER = 0.05
"""Seconds within which bytes count as one burst; adapters deliver in bursts of 16 ms (common
practice)."""

_BURST = 4
"""Bytes of a burst that make it somebody's frame rather than a disturbance; the shortest frame has
as many."""

_COVERAGE = 0.1
"""Share of idle bytes that frames have to make up: in garbage, one window in 65536 has a right CRC
by chance."""

_REFUSALS = (1, 2, 3, 4)
"""Exceptions that a unit gives to a request it does not serve (V1.1b3, section 7)."""
_FEW = 2
"""Bytes of a stray disturbance."""

_DAMAGED = (Verdict.CRC_BAD, Verdict.CRC_BAD_HEAD_OK, Verdict.GARBAGE)


@dataclass(frozen=True)
class LineEvidence:
    """All that was heard on a pair."""

    settings: LineSettings
    """What the line was set to while it was listened to."""
    idle: Heard | None = None
    """What came before anything was sent; None if it was not listened to."""
    replies: Sequence[Reply] = ()
    """Judged exchanges, in the order they happened."""
    expected: Collection[int] = ()
    """Unit addresses that are known to be on the pair, by a plan or an earlier find; silence
    elsewhere says nothing."""

    @cached_property
    def frames(self) -> tuple[Frame, ...]:
        """Sound frames that nobody here caused, heard idle."""
        if self.idle is None:
            return ()
        found = valid_frames(self.idle.data)
        return (
            found
            if sum(len(frame.data) for frame in found) >= _COVERAGE * len(self.idle.data)
            else ()
        )

    @cached_property
    def flagged_frames(self) -> int:
        """How many of `frames` hold a byte that the receiver flagged."""
        if self.idle is None:
            return 0
        bad = set(self.idle.bad)
        count = position = 0
        for frame in self.frames:
            position = self.idle.data.index(frame.data, position)
            count += any(index in bad for index in range(position, position + len(frame.data)))
            position += len(frame.data)
        return count

    @property
    def lost(self) -> int:
        """Characters that the system says it lost; 0 where it does not tell."""
        heard = (self.idle, *(reply.exchange for reply in self.replies))
        return sum(
            each.errors.lost for each in heard if each is not None and each.errors is not None
        )

    @cached_property
    def longest_burst(self) -> int:
        """Most idle bytes that came together."""
        longest = run = 0
        last = float("-inf")
        for chunk in self.idle.chunks if self.idle else ():
            run = len(chunk.data) + (run if chunk.at - last <= _TOGETHER else 0)
            last = chunk.at
            longest = max(longest, run)
        return longest

    @property
    def others_talk(self) -> bool:
        """Whether somebody talks with nobody asked, whether it can be read or not."""
        return bool(self.frames) or self.longest_burst >= _BURST

    @cached_property
    def present(self) -> frozenset[int]:
        """Addresses that have shown themselves, late ones too."""
        shown = (*(reply for reply in self.replies if reply.present), *self.late)
        return frozenset(reply.request.address for reply in shown)

    @cached_property
    def cut(self) -> tuple[tuple[Reply, bytes], ...]:
        """Replies whose front is missing or wrong, each with the frame it was.

        What is left may be too short to be mended by itself; it counts where it ends a frame that
        the same request was answered with.
        """
        damaged = [reply for reply in self.replies if reply.verdict in _DAMAGED]
        mended = {id(reply): frame for reply in damaged if (frame := _mended(reply))}
        if not mended:
            return ()
        frames = [(reply.request.frame, reply.frame) for reply in self.replies if reply.present]
        frames += [
            (reply.request.frame, mended[id(reply)]) for reply in damaged if id(reply) in mended
        ]
        for reply in damaged:
            for request, frame in frames:
                if request == reply.request.frame and frame.endswith(reply.exchange.received):
                    mended.setdefault(id(reply), frame)
        return tuple((reply, mended[id(reply)]) for reply in damaged if id(reply) in mended)

    @cached_property
    def late(self) -> tuple[Reply, ...]:
        """Replies that answer an earlier question of the same unit, which had been given up by
        then."""
        given_up: dict[int, list[Request]] = {}
        late = []
        for reply in self.replies:
            earlier = given_up.setdefault(reply.request.address, [])
            if reply.verdict in _DAMAGED and any(
                judge(request, reply.exchange).present for request in earlier
            ):
                late.append(reply)
            elif reply.verdict is Verdict.SILENT and reply.request not in earlier:
                earlier.append(reply.request)
        return tuple(late)

    @cached_property
    def damaged(self) -> tuple[Reply, ...]:
        """Replies in which no frame could be read, and that neither delay nor the adapter's own
        faults explain."""
        explained = {id(reply) for reply, _ in self.cut} | {id(reply) for reply in self.late}
        return tuple(
            reply
            for reply in self.replies
            if reply.verdict in _DAMAGED
            and not is_stray(reply)
            and not _is_adapters(reply)
            and id(reply) not in explained
        )


def has_ones_added(reply: Reply) -> bool:
    """Whether `reply` is our own request, altered as by an adapter that stops driving too early."""
    return reply.verdict in _DAMAGED and byte_patterns.ones_added(
        reply.request.frame, reply.exchange.received
    )


def bytes_altered(reply: Reply) -> int:
    """How many bytes of our own request came back altered."""
    sent = reply.request.frame
    return sum(was != there for was, there in zip(sent, reply.exchange.received, strict=False))


def lacks_tail(reply: Reply) -> bool:
    """Whether `reply` is our own request without its end."""
    return reply.verdict in _DAMAGED and byte_patterns.tail_missing(
        reply.request.frame, reply.exchange.received
    )


def _is_adapters(reply: Reply) -> bool:
    """Whether the adapter's own fault explains all of `reply`."""
    return has_ones_added(reply) or lacks_tail(reply)


def is_stray(reply: Reply) -> bool:
    """Whether all that came was a pulse or two: a break, a glitch of the adapter, a floating
    pair."""
    received = reply.exchange.received
    return 0 < len(received) <= _FEW and byte_patterns.single_pulses(received)


def is_short(reply: Reply) -> bool:
    """Whether less came than a sound reply to what was asked would have."""
    return len(reply.exchange.received) < _sound_length(reply.request)


def is_quiet(reply: Reply) -> bool:
    """Whether nobody can be told from `reply`: silence, or a stray pulse."""
    return reply.verdict is Verdict.SILENT or is_stray(reply)


def _heads(request: Request) -> tuple[bytes, ...]:
    """First bytes of the replies that `request` may get."""
    start = bytes([request.address, request.function])
    refused = bytes([request.address, request.function | EXCEPTION_FLAG])
    refusals = tuple(refused + bytes([code]) for code in _REFUSALS)
    if request.function.reads_registers:
        return (start + bytes([2 * request.quantity]), *refusals)
    return (start, *refusals)


def _sound_length(request: Request) -> int:
    """Bytes of the reply that `request` asks for, an exception where it does not say how many."""
    return read_reply_bytes(request.quantity if request.function.reads_registers else 0)


def _mended(reply: Reply) -> bytes | None:
    """The frame that `reply` was before its front was lost; None if it cannot be mended by
    itself."""
    return byte_patterns.mended_front(
        _heads(reply.request), reply.exchange.received, reply.request.function
    )

"""What an adapter gives back of our own transmission.

A faithful echo is taken out of what arrives, wherever it lies in it: an adapter that delivers in
bursts gives it in one piece with a reply that was on the wire before, or after the exchange is
over, or in two parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

OWED_FOR = 0.15
"""Seconds for which the echo of a frame may still come; serial servers deliver in bursts of up to
100 ms (common practice)."""


class Echo(StrEnum):
    """What the adapter gave us back of our own transmission."""

    NONE = "none"
    FULL = "full"
    """The whole request, both CRC bytes included; it was taken out."""


def is_echo(request: bytes, received: bytes) -> bool:
    """Whether `received`, as long as `request`, is its echo: faithful, with more ones, or with a
    few wrong bytes.

    A reply differs in its third byte and its CRC at the least, so no reply to a read passes for
    one.
    """
    if len(received) != len(request):
        return False
    return has_more_ones(request, received) or 4 * sum(
        map(int.__eq__, received, request)
    ) >= 3 * len(request)


def has_more_ones(request: bytes, received: bytes) -> bool:
    """Whether `received` has a one wherever `request` has: nothing but the pull of the idle pair
    has changed it."""
    return all(back | sent == back for back, sent in zip(received, request, strict=False))


def without_echo(request: bytes, received: bytes) -> bytes:
    """`received` less an echo of `request` that is no faithful one; a faithful one is taken off by
    the line.

    An adapter whose receiver turns on late gives back the tail, one that turns off early the head,
    and one that lets go of the pair before a long run of zeros is over gives back all with more
    ones than were sent (common practice).
    """
    if is_echo(request, received[: len(request)]):
        return received[len(request) :]
    if received and request.startswith(received):
        return b""
    for cut in range(1, len(request) - 1):
        if received.startswith(request[cut:]):
            return received[len(request) - cut :]
    return received


@dataclass(frozen=True)
class _Owed:
    """What has not come back yet of a frame that was sent."""

    data: bytes
    until: float
    """Clock seconds until which it may."""
    begun: bool = False
    """Whether the bytes before it have come: it is next then."""


@dataclass(frozen=True)
class Own:
    """Which of some bytes are our own."""

    ranges: tuple[range, ...]
    """Their indexes, in order."""
    answer_from: int | None
    """Index behind the whole echo of the frame sent last; None where that is not among them."""
    owed: tuple[_Owed, ...]
    """What may come after these bytes."""

    def without(self, data: bytes, start: int = 0) -> bytes:
        """`data` from index `start` on, less what is our own."""
        own = {index for part in self.ranges for index in part}
        return bytes(data[index] for index in range(start, len(data)) if index not in own)


class OwnFrames:
    """The frames sent of late whose echo may still come."""

    def __init__(self) -> None:
        self._owed: tuple[_Owed, ...] = ()

    def forget(self) -> None:
        """Nothing will come of what was sent before: the port was set otherwise."""
        self._owed = ()

    def sent(self, frame: bytes, now: float) -> None:
        """`frame` is out at clock time `now`."""
        self._owed = (*self._owed, _Owed(frame, now + OWED_FOR))

    def expired(self, now: float) -> bool:
        """Forget what is not expected at clock time `now` any more; whether that was a frame of
        which nothing came back."""
        over = [owed for owed in self._owed if owed.until < now]
        self._owed = tuple(owed for owed in self._owed if owed.until >= now)
        return any(not owed.begun for owed in over)

    def among(self, data: bytes, *, echoing: bool) -> Own:
        """What of `data`, which came after all that was settled, is our own; `echoing` says that
        the adapter is known to echo, so that part of a frame at the end is the beginning of one."""
        ranges: list[range] = []
        left: list[_Owed] = []
        at = 0
        answer_from = None
        for owed in self._owed:
            found = data.find(owed.data, at)
            if owed.begun and found != at:
                found = -1
            if found >= 0:
                # Echoes come in the order of the frames: what is left of earlier ones never will.
                left = []
                at = found + len(owed.data)
                ranges.append(range(found, at))
                answer_from = at if owed is self._owed[-1] else None
            else:
                left.append(owed)
        part = _part_at_end(data, at, left) if echoing else None
        if part is not None:
            owed, count = part
            ranges.append(range(len(data) - count, len(data)))
            rest = _Owed(owed.data[count:], owed.until, begun=True)
            left = [rest, *left[left.index(owed) + 1 :]]
        return Own(tuple(ranges), answer_from, tuple(left))

    def settle(self, own: Own) -> None:
        """What `own` was told of will not be looked at again."""
        self._owed = own.owed


def _part_at_end(data: bytes, at: int, left: list[_Owed]) -> tuple[_Owed, int] | None:
    """The frame of which `data` holds the beginning at its end, from index `at` on, and how many
    bytes of it."""
    for owed in left:
        for count in range(min(len(owed.data) - 1, len(data) - at), 0, -1):
            if data.endswith(owed.data[:count]) and (not owed.begun or len(data) - count == at):
                return owed, count
    return None

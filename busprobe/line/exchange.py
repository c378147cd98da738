"""One exchange: a request and everything that came back, with times."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Protocol

from busprobe.line.echo import Echo
from busprobe.line.line_errors import LineErrors
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings

PULSES = bytes(0xFF << bits & 0xFF for bits in range(9))
"""The bytes a receiver makes of a single pulse on an idle pair: zeros for as long as it lasts, then
ones.  Adapters that turn round and pairs without bias give such bytes with nobody sending (common
practice for 00 and FF)."""


class RequestFrame(Protocol):
    """What the line needs to know of a request; `busprobe.modbus.requests.Request` is one."""

    @property
    def frame(self) -> bytes:
        """The bytes to send, CRC included."""
        ...

    @property
    def mirrored(self) -> bool:
        """Whether a sound reply is identical to the request (function codes 6 and 8): an echo looks
        like one."""
        ...

    def is_complete(self, received: bytes) -> bool:
        """Whether `received` holds a whole sound reply by its own declared length (junk around it
        allowed)."""
        ...

    def is_begun(self, received: bytes) -> bool:
        """Whether `received` is the beginning of a reply whose rest is still to come."""
        ...


@dataclass(frozen=True)
class Waits:
    """How long to wait within one exchange, in seconds.

    The defaults are common practice: 150 ms for a scan, and 30 ms that a USB adapter and the
    operating system may add anywhere (a USB latency timer is 16 ms by default on common chips).
    """

    reply: float = 0.18
    """From the end of our own transmission on the wire to the first byte of a reply."""
    silence: float = 0.03
    """Silence after which a reply of unknown length is over; a floor, never below 3.5 characters.
    """
    after: float = 0.0
    """How long to go on listening after a whole reply: a second unit at the same address may be
    slower."""
    quiet: float = 0.0
    """Silence demanded on the line before the request leaves; 3.5 characters are always kept."""


class Ending(StrEnum):
    """Why an exchange was over."""

    LENGTH = "length"
    """A whole reply by its declared length was there."""
    SILENCE = "silence"
    """Bytes came, then nothing more for the silence wait."""
    TIMEOUT = "timeout"
    """Nothing came within the reply wait, save perhaps single pulses."""


@dataclass(frozen=True)
class Exchange:
    """One request and all that came back."""

    request: bytes
    """The frame that was sent."""
    settings: LineSettings
    """What the line was set to."""
    started: float
    """Clock seconds when the request began to leave."""
    sent: float
    """Clock seconds when its last bit was on the wire; latencies count from here."""
    ended: float
    """Clock seconds when the exchange was over."""
    chunks: tuple[Chunk, ...]
    """What came back, local echo taken out."""
    echo: Echo
    ending: Ending
    leftover: bytes = b""
    """Bytes that were there before the request left: a late reply or somebody else's traffic."""
    errors: LineErrors | None = None
    """What the system saw of errors from the start of the request on; None where it does not tell.
    """

    @property
    def received(self) -> bytes:
        """All bytes that came back, local echo stripped."""
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def bad_bytes(self) -> int:
        """How many received bytes the receiver flagged (parity, framing, break)."""
        return sum(len(chunk.bad) for chunk in self.chunks)

    @property
    def late(self) -> float:
        """Seconds by which our own program looked late for what came back, at most."""
        return max((chunk.late for chunk in self.chunks), default=0.0)

    @property
    def latency(self) -> float | None:
        """Seconds from the end of the request to the start of the first byte back; None if nothing
        came.

        The first chunk is stamped when its last byte was there, so its own wire time is taken off;
        an adapter's delay is not.
        """
        if not self.chunks:
            return None
        first = self.chunks[0]
        return max(0.0, first.began(self.settings) - self.sent)

    @property
    def burst_delay(self) -> float | None:
        """The longest time in seconds between two bursts of bytes of the reply, as the port
        delivered them; less what our own program was late by.

        0 where each byte came by itself, None where all came at once and nothing can be told.
        """
        if len(self.chunks) < 2:
            return None
        gaps = [
            (then.at - then.late - one.at, len(then.data)) for one, then in pairwise(self.chunks)
        ]
        own_pace = (
            self.settings.character_time + self.settings.t1_5
        )  # no longer within a frame (V1.02 section 2.5.1.1)
        return max((gap for gap, count in gaps if count > 1 or gap > own_pace), default=0.0)


@dataclass(frozen=True)
class Heard:
    """What a pair carried while nothing was sent."""

    seconds: float
    chunks: tuple[Chunk, ...]
    errors: LineErrors | None = None
    """What the system saw of errors meanwhile; None where it does not tell."""

    @property
    def data(self) -> bytes:
        """All bytes heard."""
        return b"".join(chunk.data for chunk in self.chunks)

    @property
    def bad(self) -> tuple[int, ...]:
        """Indexes into `data` of bytes that the receiver flagged (parity, framing, break)."""
        bad: list[int] = []
        start = 0
        for chunk in self.chunks:
            bad += (start + index for index in chunk.bad)
            start += len(chunk.data)
        return tuple(bad)

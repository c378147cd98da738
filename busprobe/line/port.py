"""The seam under the line: what a real serial port and the virtual segment both provide.

A port moves bytes and knows when; it has no notion of frames, echoes or waits.  Those are in
`line.line`, written once for every kind of port.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from busprobe.line.clock import Clock
from busprobe.line.settings import LineSettings


@dataclass(frozen=True)
class Chunk:
    """Bytes that came in together."""

    at: float
    """Clock seconds at which the last of them was there."""
    data: bytes
    """At least one byte."""
    bad: tuple[int, ...] = ()
    """Indexes into `data` of bytes that the receiver flagged (parity, framing or break); empty
    where the system cannot tell."""
    late: float = 0.0
    """Seconds by which our own program looked later than it meant to, since the computer was busy:
    the bytes may have been there so much earlier."""

    def began(self, settings: LineSettings, *, ahead: int = 0) -> float:
        """Clock seconds at which the first byte began at the latest, or the one with so many
        `ahead` of it; where we looked late, at the earliest."""
        took = settings.wire_time(len(self.data) - ahead)
        return self.at - max(took, self.late + settings.character_time if self.late else 0.0)


@runtime_checkable
class CarriesSome(Protocol):
    """What a port has besides `Port` that cannot carry all line settings."""

    def carries(self, settings: LineSettings) -> bool:
        """Whether `settings` can be on the wire; others are not asked for at all."""
        ...


class Port(Protocol):
    """A place to send bytes and receive them.  All failures are raised as
    `busprobe.errors.PortError`."""

    @property
    def name(self) -> str:
        """As the user wrote it: a device path, ``COM7``, a URL, ``virtual:NAME``."""
        ...

    @property
    def clock(self) -> Clock:
        """The clock all times of this port are told in."""
        ...

    def apply(self, settings: LineSettings) -> None:
        """Switch to `settings` without closing the port where it allows that."""
        ...

    def send(self, data: bytes) -> float:
        """Start sending `data`; return the clock time at which its last bit leaves for the wire."""
        ...

    def receive(self, until: float) -> Chunk | None:
        """Wait for the next bytes, at most until clock time `until`; None if none came.

        With `until` in the past it does not wait: what has already arrived is returned.
        """
        ...

    def close(self) -> None:
        """Release the port; never raises, may be called again."""
        ...

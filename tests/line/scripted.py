"""A port that answers by script on virtual time: what the line does with bytes, without any
simulation behind them."""

from __future__ import annotations

from collections.abc import Callable

from busprobe.errors import PortError
from busprobe.line.clock import VirtualClock
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings

Script = Callable[[bytes], list[tuple[float, bytes]]]
"""From the bytes sent to what comes back: (seconds after their last bit, bytes) in order."""


class ScriptedPort:
    """A `busprobe.line.port.Port` whose far end is a function."""

    def __init__(self, script: Script, name: str = "scripted") -> None:
        self.name = name
        self.clock = VirtualClock()
        self.settings: LineSettings | None = None
        self.sent: list[tuple[float, bytes]] = []
        self.applied: list[LineSettings] = []
        self.closed = False
        self.unplugged = False
        self._script = script
        self._coming: list[tuple[float, bytes]] = []

    def apply(self, settings: LineSettings) -> None:
        self.settings = settings
        self.applied.append(settings)

    def send(self, data: bytes) -> float:
        self._check()
        assert self.settings is not None
        now = self.clock.now()
        self.sent.append((now, data))
        end = now + self.settings.wire_time(len(data))
        self._coming += [(end + after, piece) for after, piece in self._script(data)]
        self._coming.sort(key=lambda item: item[0])
        return end

    def arrive(self, at: float, data: bytes) -> None:
        """Let bytes come in that nobody asked for."""
        self._coming.append((at, data))
        self._coming.sort(key=lambda item: item[0])

    def receive(self, until: float) -> Chunk | None:
        self._check()
        if self._coming and self._coming[0][0] <= max(until, self.clock.now()):
            at, data = self._coming.pop(0)
            self.clock.sleep_until(at)
            return Chunk(at, data)
        self.clock.sleep_until(until)
        return None

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self.unplugged:
            raise PortError("The adapter is gone.")

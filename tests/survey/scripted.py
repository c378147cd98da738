"""A port whose far end is a function: what comes back to a frame, and when."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable

from busprobe.errors import PortError
from busprobe.line.clock import VirtualClock
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import crc

SETTINGS = LineSettings.parse("9600-8N1")

Answers = Callable[[bytes, LineSettings], Iterable[tuple[float, bytes]]]
"""From a frame and the settings it was sent at to (seconds after its end at which the last byte is
there, bytes)."""


def frame(*data: int) -> bytes:
    """`data` with its CRC."""
    return bytes(data) + crc(bytes(data))


class ScriptedPort:
    """A `busprobe.line.port.Port` in virtual time."""

    name = "scripted"

    def __init__(self, answers: Answers, *, fails_after: int | None = None) -> None:
        self.clock = VirtualClock()
        self.settings = SETTINGS
        self.sent: list[tuple[LineSettings, bytes]] = []
        self._answers = answers
        self._fails_after = fails_after
        self._coming: list[tuple[float, int, bytes]] = []

    def apply(self, settings: LineSettings) -> None:
        self.settings = settings
        self._coming.clear()

    def send(self, data: bytes) -> float:
        if self._fails_after is not None and len(self.sent) >= self._fails_after:
            raise PortError("The adapter is gone.", todo="Plug it in again.")
        self.sent.append((self.settings, data))
        end = self.clock.now() + self.settings.wire_time(len(data))
        for delay, answer in self._answers(data, self.settings):
            heapq.heappush(self._coming, (end + delay, len(self.sent), answer))
        return end

    def chatter(self, at: float, data: bytes) -> None:
        """Let `data` come in at clock time `at`, asked for by nobody."""
        heapq.heappush(self._coming, (at, 0, data))

    def receive(self, until: float) -> Chunk | None:
        if not self._coming or self._coming[0][0] > max(until, self.clock.now()):
            self.clock.sleep_until(until)
            return None
        at, _, data = heapq.heappop(self._coming)
        self.clock.sleep_until(at)
        return Chunk(at, data)

    def close(self) -> None: ...


def registers(address: int, values: dict[int, int], delay: float = 0.02) -> Answers:
    """A plain unit: reads of `values` are answered after `delay` seconds, all else is refused."""

    def answers(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        if request[0] != address:
            return []
        function = request[1]
        if function not in (3, 4):
            return [(delay, frame(address, function | 0x80, 1))]
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        if any(register not in values for register in range(first, first + count)):
            return [(delay, frame(address, function | 0x80, 2))]
        data = b"".join(
            values[register].to_bytes(2, "big") for register in range(first, first + count)
        )
        return [(delay, frame(address, function, len(data), *data))]

    return answers


def together(*units: Answers) -> Answers:
    """Several units side by side; their replies do not overlap unless they are given the same
    time."""

    def answers(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return sorted(pair for unit in units for pair in unit(request, settings))

    return answers

"""Units that answer by rule on virtual time, and what the tests of this room share."""

from __future__ import annotations

from collections.abc import Callable

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import crc
from tests.line.scripted import ScriptedPort

SETTINGS = LineSettings.parse("9600-8E1")
LATENCY = 0.0125

Answer = list[tuple[float, bytes]]
"""Seconds after the end of the reply's usual moment (0 is in time), and the bytes."""

Misbehaviour = Callable[[int, bytes], Answer | None]
"""From the number of the request (from 0) and the request to what comes instead; None for the usual
reply."""


def usual(request: bytes) -> bytes:
    """The conforming reply to a request to read registers: register r holds r."""
    first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
    values = b"".join((first + i & 0xFFFF).to_bytes(2, "big") for i in range(count))
    return framed(request[0], request[1], 2 * count, *values)


def framed(*data: int) -> bytes:
    """`data` with its CRC."""
    return bytes(data) + crc(bytes(data))


def bench(
    misbehaviour: Misbehaviour = lambda number, request: None,
    *,
    latency: float = LATENCY,
    settings: LineSettings = SETTINGS,
) -> tuple[Line, ScriptedPort]:
    """A line on which every address answers after `latency`, but for what `misbehaviour` says."""
    port: ScriptedPort

    def script(request: bytes) -> Answer:
        answer = misbehaviour(len(port.sent) - 1, request)
        assert port.settings is not None
        coming = [(0.0, usual(request))] if answer is None else answer
        return [
            (latency + port.settings.wire_time(len(data)) + after, data) for after, data in coming
        ]

    port = ScriptedPort(script)
    return Line(port, settings), port

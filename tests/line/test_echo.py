"""Our own bytes are taken out of what arrives, wherever they lie in it."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.echo import Echo
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, read_registers, return_query_data
from tests.line.scripted import ScriptedPort

SETTINGS = LineSettings.parse("9600-8N1")
FIRST = read_registers(2, Function.READ_HOLDING_REGISTERS, 0, 1)
SECOND = read_registers(3, Function.READ_HOLDING_REGISTERS, 0, 2)
# Replies of the right length to both, CRC by the standard's algorithm (pymodbus).
LATE = bytes.fromhex("02 03 02 00 07 BD 86")
REPLY = bytes.fromhex("03 03 04 00 01 00 02 09 F2")


def in_bursts(cuts: list[int]) -> tuple[Line, bytes]:
    """A line whose adapter gives `LATE`, the echo of `SECOND` and `REPLY` in one stream, cut at
    `cuts` after `FIRST` was sent in vain; and that stream."""
    stream = LATE + SECOND.frame + REPLY
    places = sorted({0, *cuts, len(stream)})
    parts = [stream[a:b] for a, b in pairwise(places)]

    def script(sent: bytes) -> list[tuple[float, bytes]]:
        if sent == FIRST.frame:
            return [(0.001, sent)]
        return [(0.016 * (1 + n), part) for n, part in enumerate(parts)]

    return Line(ScriptedPort(script), SETTINGS), stream


@given(st.lists(st.integers(1, len(LATE) + 8 + len(REPLY) - 1), max_size=4))
def test_a_late_reply_our_own_request_and_its_reply_in_one_stream_are_told_apart(
    cuts: list[int],
) -> None:
    """However an adapter that echoes cuts the stream into bursts."""
    line, _stream = in_bursts(cuts)
    line.exchange(FIRST, Waits(reply=0.05))
    exchange = line.exchange(SECOND, Waits(reply=0.2))
    assert (exchange.leftover, exchange.received) == (LATE, REPLY)
    assert exchange.echo is Echo.FULL


@pytest.mark.parametrize("cut", range(9))
def test_an_echo_that_comes_when_the_exchange_is_over_is_no_frame_of_another(cut: int) -> None:
    """A slow serial server delivers every 100 ms (common practice); perhaps the first part in
    time."""

    def script(sent: bytes) -> list[tuple[float, bytes]]:
        if sent == FIRST.frame:
            return [(0.001, sent)]
        return [(0.03, sent[:cut]), (0.09, sent[cut:] + REPLY)] if sent == SECOND.frame else []

    port = ScriptedPort(lambda sent: [part for part in script(sent) if part[1]])
    line = Line(port, SETTINGS)
    line.exchange(FIRST, Waits(reply=0.02))
    late = line.exchange(SECOND, Waits(reply=0.05))
    assert late.received == b""
    port.clock.sleep_until(port.clock.now() + 0.06)
    after = line.exchange(FIRST, Waits(reply=0.02))
    assert (after.leftover, after.received) == (REPLY, b"")
    assert line.echo is Echo.FULL


def test_an_echo_in_what_is_listened_to_is_our_own() -> None:
    line = Line(ScriptedPort(lambda sent: [(0.09, sent + LATE)]), SETTINGS)
    line.exchange(FIRST, Waits(reply=0.02))
    assert line.listen(0.2).data == LATE
    assert line.echo is Echo.FULL


def test_silence_shorter_than_a_burst_does_not_show_that_a_port_does_not_echo() -> None:
    """Else the echo of a mirrored request that comes next would pass for a reply."""
    line = Line(ScriptedPort(lambda sent: [(0.05, sent)]), SETTINGS)
    line.exchange(FIRST, Waits(reply=0.02))
    assert line.echo is None
    exchange = line.exchange(return_query_data(3), Waits(reply=0.1))
    assert exchange.received == b""


def test_a_port_that_gives_nothing_back_is_known_not_to_echo_after_a_while() -> None:
    line = Line(ScriptedPort(lambda sent: []), SETTINGS)
    line.exchange(FIRST, Waits(reply=0.18))
    assert line.echo is Echo.NONE

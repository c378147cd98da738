"""The port on the segment and the faults of its adapter."""

from __future__ import annotations

import pytest

from busprobe.errors import PortError
from busprobe.line.echo import Echo
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import return_query_data
from tests.virtual.bench import AT_9600, ask, open_line, open_segment, read, scenario

UNIT = {"name": "u", "type": "dx-8"}


def test_bytes_come_one_by_one_at_their_time() -> None:
    line = open_line(scenario({**UNIT, "latency": 0.05}))
    _, exchange = read(line, 1)
    assert [len(chunk.data) for chunk in exchange.chunks] == [1] * 7
    gaps = [b.at - a.at for a, b in zip(exchange.chunks, exchange.chunks[1:], strict=False)]
    assert gaps == pytest.approx([AT_9600.character_time] * 6)


def test_an_adapter_hands_over_lumps() -> None:
    """A latency timer of 16 ms is what common USB chips have (common practice)."""
    line = open_line(scenario(UNIT, adapter={"lump": 0.016}))
    reply, exchange = read(line, 1)
    assert reply.verdict is Verdict.OK
    assert len(exchange.chunks) <= 2
    assert all(chunk.at % 0.016 == pytest.approx(0.0, abs=1e-9) for chunk in exchange.chunks)


def test_an_echo_gives_back_the_whole_request() -> None:
    line = open_line(scenario(UNIT, adapter={"echo": True}))
    reply, exchange = read(line, 1)
    assert exchange.echo is Echo.FULL
    assert reply.verdict is Verdict.OK
    assert ask(line, return_query_data(1))[0].verdict is Verdict.OK


def test_a_glitch_gives_one_byte_00_before_each_reply() -> None:
    line = open_line(scenario({**UNIT, "latency": 0.01}, adapter={"glitch": True}))
    reply, exchange = read(line, 1)
    assert reply.verdict is Verdict.OK_AFTER_STRAY_BYTES
    assert exchange.received[0] == 0
    assert len(exchange.received) == 8


def test_errors_of_single_bytes_are_flagged() -> None:
    """To a second adapter set to odd parity, request and reply with even parity are all wrong, and
    all right bytes."""
    segment, line = open_segment(scenario({**UNIT, "settings": "9600-8E1"}), "9600-8E1")
    port = segment.port()
    port.apply(LineSettings.parse("9600-8O1"))
    _, exchange = read(line, 1)
    assert exchange.bad_bytes == 0
    chunk = port.receive(0.0)
    assert chunk is not None
    assert chunk.data == exchange.request + exchange.received
    assert chunk.bad == tuple(range(8 + 7))


def test_a_swapped_adapter_reaches_nobody_and_sees_a_break_after_each_request() -> None:
    line = open_line(scenario(UNIT, adapter={"swapped": True}))
    reply, exchange = read(line, 1)
    assert reply.verdict is Verdict.GARBAGE
    assert exchange.received == b"\x00"
    assert exchange.bad_bytes == 1


def test_new_settings_drop_what_was_received() -> None:
    segment, line = open_segment(scenario(UNIT))
    port = segment.port()
    port.apply(AT_9600)
    read(line, 1)
    port.apply(LineSettings.parse("9600-8N2"))
    assert port.receive(0.0) is None


def test_sending_again_waits_for_the_end_of_the_first() -> None:
    segment, _ = open_segment(scenario())
    port = segment.port()
    port.apply(AT_9600)
    first = port.send(b"\x00" * 10)
    assert first == pytest.approx(10 * AT_9600.character_time)
    assert port.send(b"\x00" * 10) == pytest.approx(2 * first)


def test_receiving_waits_until_the_moment_asked_for() -> None:
    segment, _ = open_segment(scenario())
    port = segment.port()
    assert port.receive(3.5) is None
    assert port.clock.now() == 3.5
    assert port.receive(1.0) is None
    assert port.clock.now() == 3.5


def test_an_unplugged_adapter_is_a_port_error_from_then_on() -> None:
    segment, line = open_segment(scenario(UNIT, adapter={"unplugged_at": 2.0}))
    assert read(line, 1)[0].verdict is Verdict.OK
    with pytest.raises(PortError, match="is gone"):
        line.listen(10)
    assert line.clock.now() == 2.0
    with pytest.raises(PortError, match="is gone"):
        read(line, 1)
    line.close()
    line.close()
    with pytest.raises(PortError, match="unplugged"):
        segment.port()


def test_an_adapter_plugged_in_again_needs_a_new_port() -> None:
    segment, line = open_segment(scenario(UNIT))
    segment.unplug()
    with pytest.raises(PortError):
        read(line, 1)
    segment.plug_in()
    with pytest.raises(PortError):
        read(line, 1)
    port = segment.port()
    port.apply(AT_9600)
    assert port.send(b"\x01") > 0


def test_an_adapter_that_holds_on_hears_only_what_comes_after_it_has_let_go() -> None:
    """8 bytes at 9600-8N1, the driver on for 12 ms more; the unit replies after 10 ms, and 2 ms are
    two characters."""
    held = open_line(scenario({**UNIT, "latency": 0.01}, adapter={"holds_on": 0.012}))
    reply, exchange = read(held, 1)
    whole, _ = read(open_line(scenario({**UNIT, "latency": 0.01})), 1)
    assert not reply.present
    assert exchange.sent - exchange.started == pytest.approx(8 * AT_9600.character_time)
    assert exchange.received == whole.frame[2:]
    slow = open_line(scenario({**UNIT, "latency": 0.013}, adapter={"holds_on": 0.012}))
    assert read(slow, 1)[0].frame == whole.frame

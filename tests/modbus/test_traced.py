"""A trace read back holds the exchanges that were made, whatever the adapter and the bus were."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from busprobe.files import pcapng
from busprobe.line import trace
from busprobe.line.clock import VirtualClock
from busprobe.line.echo import Echo
from busprobe.line.exchange import Exchange, RequestFrame, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict, judge
from busprobe.modbus.requests import (
    Function,
    Request,
    read_device_identification,
    read_registers,
    return_query_data,
)
from busprobe.modbus.traced import TracedExchange, exchanges
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.line.scripted import ScriptedPort

AT_9600 = LineSettings.parse("9600-8N1")
AT_19200 = LineSettings.parse("19200-8E1")
TWO_REGISTERS = read_registers(11, Function.READ_HOLDING_REGISTERS, 0, 2)


def read_back(path: Path) -> list[TracedExchange]:
    with path.open("rb") as opened:
        return list(exchanges(pcapng.read(opened)))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "bus.pcapng"


class Traced:
    """A line whose trace is written meanwhile."""

    def __init__(self, file: Path) -> None:
        self._file = trace.TraceFile(file)

    def __enter__(self) -> None:
        trace.write_to(self._file)

    def __exit__(self, *_: object) -> None:
        trace.write_to(None)
        self._file.close()


def asked(line: Line) -> list[tuple[Request, Exchange]]:
    """Units that are there and ones that are not, in all ways, at two line settings."""
    made = []
    for settings in (AT_9600, AT_19200):
        line.apply(settings)
        for address in (1, 11, 12, 21):
            for request in (
                read_registers(address, Function.READ_HOLDING_REGISTERS, 0, 2),
                read_registers(address, Function.READ_INPUT_REGISTERS, 1, 2),
                return_query_data(address),
                read_device_identification(address),
            ):
                made.append((request, line.exchange(request, Waits(after=0.02))))
    return made


@pytest.mark.parametrize("name", ["clean", "echo", "site", "clash", "late-turnaround", "slow"])
def test_the_same_exchanges_are_read_back(name: str, file: Path) -> None:
    """Clean replies, echoes, corrupted replies of two units, and silence."""
    with (
        Traced(file),
        Line(Segment(load_scenario(name), VirtualClock()).port(name), AT_9600) as line,
    ):
        made = asked(line)
    read = read_back(file)
    assert len(read) == len(made)
    for (request, exchange), back in zip(made, read, strict=True):
        assert (back.request, back.asked) == (request.frame, request.words)
        assert (back.settings, back.received) == (exchange.settings, exchange.received)
        assert (back.verdict, back.echo) == (judge(request, exchange).verdict, exchange.echo)
        times = [chunk.at - exchange.sent for chunk in exchange.chunks]
        assert [burst.after_ms / 1000 for burst in back.bursts] == pytest.approx(times, abs=1e-5)
        assert back.flagged == tuple(
            sum(len(each.data) for each in exchange.chunks[:number]) + index
            for number, chunk in enumerate(exchange.chunks)
            for index in chunk.bad
        )


def test_what_came_late_is_told_with_the_request_that_it_answers(file: Path) -> None:
    reply = bytes.fromhex("0B 83 02 E0 F3")
    port = ScriptedPort(lambda _: [(0.4, reply)])
    with Traced(file), Line(port, AT_9600) as line:
        made = line.exchange(TWO_REGISTERS, Waits(reply=0.2))
        line.listen(1)
    assert made.received == b""
    (back,) = read_back(file)
    assert (back.verdict, back.received) == (Verdict.EXCEPTION, reply)
    assert back.latency_ms == pytest.approx(400 - 5 * 10 / 9.6, abs=0.01)


def test_bytes_that_were_only_listened_to_are_told_with_the_frames_in_them(file: Path) -> None:
    port = ScriptedPort(lambda _: [])
    port.arrive(0.5, TWO_REGISTERS.frame)
    with Traced(file), Line(port, AT_9600) as line:
        line.listen(1)
    (back,) = read_back(file)
    assert (back.request, back.verdict, back.received) == (b"", None, TWO_REGISTERS.frame)
    assert "unit address 11 (0x0B), function code 3" in back.told


class _Strange:
    """A frame that no request of ours is: its CRC is wrong."""

    frame = bytes.fromhex("0B 03 00 00 00 02 00 00")
    mirrored = False

    def is_complete(self, received: bytes) -> bool:
        return False

    is_begun = is_complete


def test_a_frame_that_is_no_request_is_told_as_it_is(file: Path) -> None:
    strange: RequestFrame = _Strange()
    with Traced(file), Line(ScriptedPort(lambda _: []), AT_9600) as line:
        line.exchange(strange, Waits())
    (back,) = read_back(file)
    assert (back.request, back.asked, back.verdict) == (_Strange.frame, "", None)
    assert (back.told, back.echo) == ("no reply", Echo.NONE)


def test_a_trace_of_a_killed_program_does_not_tell_how_long_the_last_wait_was(file: Path) -> None:
    with Traced(file), Line(ScriptedPort(lambda _: []), AT_9600) as line:
        line.exchange(TWO_REGISTERS, Waits(reply=0.3))
        when_killed = file.read_bytes()
    assert read_back(file)[-1].told == "no reply within 300 ms"
    file.write_bytes(when_killed)
    assert read_back(file)[-1].told == "no reply up to where the trace ends"


def test_two_ports_in_one_trace_are_kept_apart(file: Path) -> None:
    reply = bytes.fromhex("0B 83 02 E0 F3")
    with Traced(file):
        for name in ("COM7", "COM8", "COM7"):
            with Line(ScriptedPort(lambda _: [(0.01, reply)], name=name), AT_9600) as line:
                line.exchange(TWO_REGISTERS, Waits())
    assert [back.port for back in read_back(file)] == ["COM7", "COM8", "COM7"]


def capture(interface: pcapng.Interface, data: bytes) -> io.BytesIO:
    packet = pcapng.Packet(interface, 0, data)
    return io.BytesIO(
        pcapng.section("other") + pcapng.interface(interface) + pcapng.packet(packet, 0)
    )


@pytest.mark.parametrize(
    ("interface", "data", "told"),
    [
        (pcapng.Interface(1, "eth0"), bytes(60), "link type 1"),
        (pcapng.Interface(250, "COM7", "9600-8N1"), bytes(4), "shorter than its header"),
        (pcapng.Interface(250, "COM7", "fast"), bytes(12), "line settings"),
    ],
)
def test_a_capture_of_something_else_is_told(
    interface: pcapng.Interface, data: bytes, told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        list(exchanges(pcapng.read(capture(interface, data))))


@pytest.mark.parametrize(
    "option", [(trace.BURSTS, b"abc"), (trace.BURSTS, bytes(8)), (trace.BAD, b"a")]
)
def test_damaged_times_are_told(option: tuple[int, bytes]) -> None:
    interface = pcapng.Interface(250, "COM7", "9600-8N1")
    header = trace.HEADER.pack(0, 0, trace.Event.HEARD, 0, 0)
    with pytest.raises(ValueError, match="when they came"):
        list(exchanges([pcapng.Packet(interface, 0, header + b"ab", local=(option,))]))

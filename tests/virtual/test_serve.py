"""The segment served to other programs, in real time."""

from __future__ import annotations

import contextlib
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import Queue

import minimalmodbus
import pytest

from busprobe.errors import PortError
from busprobe.line.clock import SystemClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict, judge
from busprobe.modbus.requests import Function, Request, read_registers, write_registers
from busprobe.virtual import serve
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment
from busprobe.virtual.serve import _Descriptor, serve_pty, serve_tcp
from tests.virtual.bench import AT_9600, scenario

posix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


@contextmanager
def serving(serve: Callable[[threading.Event, Callable[[str], None]], None]) -> Iterator[str]:
    """Serve in a thread meanwhile; gives the name to open.  An error there is an error here."""
    stop, ready = threading.Event(), Queue[str | PortError]()

    def run() -> None:
        try:
            serve(stop, ready.put)
        except PortError as error:
            ready.put(error)

    thread = threading.Thread(target=run)
    thread.start()
    try:
        name = ready.get(timeout=5)
        if isinstance(name, PortError):
            raise name
        yield name
    finally:
        stop.set()
        thread.join(timeout=5)
        assert not thread.is_alive()


@contextmanager
def on_pty(
    what: Scenario, link: Path, settings: LineSettings | None = None
) -> Iterator[tuple[Segment, str]]:
    segment = Segment(what, SystemClock())
    with serving(
        lambda stop, ready: serve_pty(segment, link, stop, settings=settings, ready=ready)
    ) as name:
        yield segment, name


@contextmanager
def on_tcp(what: Scenario, settings: LineSettings) -> Iterator[tuple[Segment, str]]:
    segment = Segment(what, SystemClock())
    with serving(
        lambda stop, ready: serve_tcp(segment, "127.0.0.1", 0, stop, settings=settings, ready=ready)
    ) as name:
        yield segment, name


@contextmanager
def instrument(port: str, address: int, baud: int = 9600) -> Iterator[minimalmodbus.Instrument]:
    """minimalmodbus as the client."""
    client = minimalmodbus.Instrument(port, address)
    client.serial.baudrate = baud
    client.serial.timeout = 0.4
    try:
        yield client
    finally:
        client.serial.close()


@posix
def test_minimalmodbus_reads_what_the_scenario_says(tmp_path: Path) -> None:
    """A client nobody here wrote agrees with the scenario file, unit by unit."""
    what = load_scenario("clean")
    with on_pty(what, tmp_path / "bus0") as (_, port):
        for unit in what.units:
            kind = what.types[unit.type]
            with instrument(port, unit.address or kind.address) as client:
                for function, table in ((3, kind.holding), (4, kind.input)):
                    for value in table:
                        expected = unit.values.get(value.name, value.value)
                        assert isinstance(expected, int | float)
                        order = {
                            "ABCD": minimalmodbus.BYTEORDER_BIG,
                            "CDAB": minimalmodbus.BYTEORDER_LITTLE_SWAP,
                        }[value.order]
                        if value.type == "float32":
                            seen = client.read_float(value.at, function, byteorder=order)
                        elif value.type == "uint32":
                            seen = (
                                client.read_long(value.at, function, byteorder=order) * value.scale
                            )
                        else:
                            seen = (
                                client.read_register(value.at, 0, function, value.type == "int16")
                                * value.scale
                            )
                        # A counter gains at most a tenth in the seconds this takes.
                        assert seen == pytest.approx(
                            expected, abs=value.swing + value.scale / 10 + 0.1 * bool(value.rate)
                        )


@posix
def test_minimalmodbus_writes_and_the_unit_has_it(tmp_path: Path) -> None:
    with on_pty(load_scenario("clean"), tmp_path / "bus0") as (segment, port):
        with instrument(port, 31) as client:
            client.write_register(0, 0x5A)
            assert client.read_register(0) == 0x5A
            with pytest.raises(minimalmodbus.IllegalRequestError):
                client.read_register(999)
        with instrument(port, 21) as client:
            client.write_register(20, 22)
        assert segment.unit("em-101").address == 22


@posix
def test_the_baud_rate_set_on_the_terminal_is_followed(tmp_path: Path) -> None:
    """Nobody answers at another one; the format is that of the scenario's units at that rate."""
    what = scenario(
        {"name": "a", "type": "dx-8", "settings": "9600-8N1"},
        {"name": "b", "type": "dx-8", "settings": "19200-8E1", "values": {"outputs": 9}},
        {"name": "c", "type": "dx-8", "settings": "38400-8O1", "values": {"outputs": 10}},
    )
    with on_pty(what, tmp_path / "bus0") as (_, port):
        for baud, outputs in ((9600, 5), (19200, 9), (38400, 10)):
            with instrument(port, 1, baud) as client:
                assert client.read_register(0) == outputs
        with instrument(port, 1, 4800) as client, pytest.raises(minimalmodbus.NoResponseError):
            client.read_register(0)


@posix
def test_given_settings_hold_whatever_the_terminal_says(tmp_path: Path) -> None:
    what = scenario({"name": "a", "type": "dx-8", "settings": "9600-8E1"})
    with (
        on_pty(what, tmp_path / "bus0", LineSettings.parse("9600-8E1")) as (_, port),
        instrument(port, 1, 115200) as client,
    ):
        assert client.read_register(0) == 5


@posix
def test_the_link_is_gone_afterwards_and_an_old_one_is_replaced(tmp_path: Path) -> None:
    link = tmp_path / "bus0"
    link.symlink_to("nowhere")
    with on_pty(load_scenario("clean"), link) as (_, port):
        assert port == str(link)
        assert link.resolve().is_char_device()
    assert not link.is_symlink()


@posix
def test_a_file_in_the_way_is_left_alone(tmp_path: Path) -> None:
    link = tmp_path / "bus0"
    link.write_text("precious")
    with pytest.raises(PortError, match="cannot be made"), on_pty(load_scenario("clean"), link):
        pass
    assert link.read_text() == "precious"


@posix
def test_an_adapter_pulled_out_ends_the_serving(tmp_path: Path) -> None:
    segment = Segment(
        scenario({"name": "a", "type": "dx-8"}, adapter={"unplugged_at": 0.2}), SystemClock()
    )
    with pytest.raises(PortError, match="is gone"):
        serve_pty(segment, tmp_path / "bus0", threading.Event())


@posix
def test_a_terminal_that_nobody_reads_does_not_hold_the_server() -> None:
    """What the system's buffer does not take is lost, as on a real port."""
    import pty
    import tty

    ours, theirs = pty.openpty()
    try:
        tty.setraw(theirs)
        far_end = _Descriptor(ours)
        for _ in range(8):
            far_end.write(b"U" * 0x8000)
        assert 0 < len(os.read(theirs, 0x80000)) < 8 * 0x8000
    finally:
        os.close(ours)
        os.close(theirs)


def test_our_own_line_reads_a_segment_on_tcp() -> None:
    with on_tcp(load_scenario("clean"), AT_9600) as (segment, name):
        with Line(SerialPort(name, AT_9600), AT_9600) as line:
            request = read_registers(31, Function.READ_HOLDING_REGISTERS, 40, 1)
            assert judge(request, line.exchange(request, Waits())).registers == (312,)
            request = write_registers(21, 20, [22])
            assert judge(request, line.exchange(request, Waits())).verdict is Verdict.OK
        assert segment.unit("em-101").address == 22
        with Line(SerialPort(name, AT_9600), AT_9600) as line:
            request = read_registers(22, Function.READ_HOLDING_REGISTERS, 20, 1)
            assert judge(request, line.exchange(request, Waits())).registers == (22,)


def test_a_tcp_address_that_cannot_be_used_is_a_port_error() -> None:
    with (
        pytest.raises(PortError, match="Cannot serve"),
        serving(
            lambda stop, ready: serve_tcp(
                Segment(scenario(), SystemClock()),
                "127.0.0.1",
                70000,
                stop,
                settings=AT_9600,
                ready=ready,
            )
        ),
    ):
        pass


def exchanged(client: socket.socket, request: Request, *, seconds: float = 2.0) -> bytes:
    """What comes back for a request, until it is whole or the time is up; what others asked
    before is left out."""
    client.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        while client.recv(4096):
            pass
    client.setblocking(True)
    client.sendall(request.frame)
    received, deadline = b"", time.monotonic() + seconds
    while not request.is_complete(received) and time.monotonic() < deadline:
        client.settimeout(max(0.01, deadline - time.monotonic()))
        try:
            data = client.recv(256)
        except TimeoutError:
            break
        if not data:
            raise ConnectionResetError
        received += data
    return received


READ = read_registers(31, Function.READ_HOLDING_REGISTERS, 40, 1)


def connected(name: str) -> socket.socket:
    host, _, port = name.removeprefix("socket://").rpartition(":")
    return socket.create_connection((host, int(port)))


def test_several_programs_share_a_segment_and_hear_each_other() -> None:
    with (
        on_tcp(load_scenario("clean"), AT_9600) as (_, name),
        connected(name) as one,
        connected(name) as other,
    ):
        for client in (one, other, one):
            assert READ.is_complete(exchanged(client, READ))
        other.settimeout(2)
        heard = b""
        while READ.frame not in heard:  # it is on the same bus and hears what others ask
            heard += other.recv(256)


def test_a_flood_of_one_program_does_not_silence_the_next() -> None:
    """What it sent and nobody had put on the bus is gone with it."""
    with on_tcp(load_scenario("clean"), AT_9600) as (_, name):
        with connected(name) as flooding:
            flooding.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    flooding.send(b"U" * 65536)
        with connected(name) as client:
            deadline = time.monotonic() + 5
            while not READ.is_complete(exchanged(client, READ, seconds=0.5)):
                assert time.monotonic() < deadline


def test_who_is_silent_for_long_or_one_too_many_is_disconnected(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(serve, "MOST_CLIENTS", 2)
    with (
        on_tcp(load_scenario("clean"), AT_9600) as (_, name),
        connected(name) as one,
        connected(name) as other,
        connected(name) as third,
    ):
        third.settimeout(5)
        assert third.recv(1) == b""
        assert exchanged(one, READ)
        monkeypatch.setattr(serve, "SILENT_AFTER", 0.2)
        for client in (one, other):
            client.settimeout(5)
            while client.recv(256):
                pass  # what the other had asked


def test_nobody_is_served_at_another_address_of_this_computer() -> None:
    with on_tcp(load_scenario("clean"), AT_9600) as (_, name):
        port = int(name.rpartition(":")[2])
        with (
            pytest.raises((ConnectionError, TimeoutError)),
            socket.create_connection(("127.0.0.2", port), timeout=2),
        ):
            pass

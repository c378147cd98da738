"""The real serial port, on pseudo-terminals and sockets of this machine."""

from __future__ import annotations

import os
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from busprobe.errors import ExitCode, PortError
from busprobe.line.clock import SystemClock
from busprobe.line.exchange import Ending, Waits
from busprobe.line.line import Line
from busprobe.line.ports import ports
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, read_registers

SETTINGS = LineSettings.parse("19200-8E1")
REQUEST = read_registers(1, Function.READ_HOLDING_REGISTERS, 107, 3)
REPLY = bytes.fromhex(
    "01 03 06 02 2B 00 00 00 64 05 7A"
)  # MODBUS Application Protocol V1.1b3, section 6.3
posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are a POSIX thing")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The master end of a pseudo-terminal and the slave's path."""
    import tty

    master, slave = os.openpty()
    tty.setraw(master)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def answer_once(master: int, reply: bytes) -> threading.Thread:
    """Answer the first request that arrives at the master end."""

    def run() -> None:
        got = b""
        while len(got) < len(REQUEST.frame):
            got += os.read(master, 64)
        os.write(master, reply)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


@posix
def test_an_exchange_over_a_pseudo_terminal(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with Line(SerialPort(path, SETTINGS), SETTINGS) as line:
        thread = answer_once(master, REPLY)
        exchange = line.exchange(REQUEST, Waits(reply=2.0))
        thread.join()
    assert exchange.received == REPLY
    assert exchange.ending is Ending.LENGTH


class WithPauses(SystemClock):
    """The system's clock, which can be moved on as if the program had stood still."""

    def __init__(self) -> None:
        self.stood_still = 0.0

    def now(self) -> float:
        return super().now() + self.stood_still


@posix
def test_what_our_own_program_is_late_by_is_told(terminal: tuple[int, str]) -> None:
    master, path = terminal
    clock = WithPauses()
    port = SerialPort(path, SETTINGS, clock)
    assert port.receive(clock.now()) is None
    begun = clock.now()
    os.write(master, REPLY[:4])
    while not port._serial.in_waiting:
        pass  # they are not through yet
    clock.stood_still += 0.2
    chunk = port.receive(clock.now() + 2)
    assert chunk is not None
    assert 0.19 < chunk.late < clock.now() - begun
    assert begun > chunk.began(SETTINGS) - 0.01 > begun - 0.2
    port.close()


@posix
def test_settings_change_on_an_open_port(terminal: tuple[int, str]) -> None:
    """The terminal's own rate changes while its descriptor stays the same."""
    import termios

    master, path = terminal
    port = SerialPort(path, SETTINGS)
    before = port._serial.fileno()
    port.apply(LineSettings.parse("9600-8N1"))
    assert port._serial.fileno() == before
    assert termios.tcgetattr(master)[4] == termios.B9600
    port.close()


@posix
def test_a_port_in_use_is_named_as_that(terminal: tuple[int, str]) -> None:
    _, path = terminal
    first = SerialPort(path, SETTINGS)
    with pytest.raises(PortError, match="open in another program") as caught:
        SerialPort(path, SETTINGS)
    assert caught.value.exit_code is ExitCode.PORT_FAILED
    first.close()
    SerialPort(path, SETTINGS).close()


@posix
def test_an_unplugged_adapter_is_one_typed_error_and_closes_quietly() -> None:
    """The far end of the pseudo-terminal goes away while the line is open."""
    master, slave = os.openpty()
    line = Line(SerialPort(os.ttyname(slave), SETTINGS), SETTINGS)
    os.close(slave)
    os.close(master)
    with pytest.raises(PortError, match=r"gone or has failed.*kept.*Plug it in again"):
        line.exchange(REQUEST, Waits(reply=0.1))
    line.close()
    line.close()


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("/dev/no-such-adapter", "There is no port"),
        ("bogus://host:1", "is not a port"),
        ("socket://host", "is not a port"),
        ("socket://host:port", "is not a port"),
    ],
)
def test_a_wrong_name_says_what_to_write(name: str, words: str) -> None:
    if name.startswith("/dev") and sys.platform == "win32":
        pytest.skip("device paths are a POSIX thing")
    with pytest.raises(PortError, match=words) as caught:
        SerialPort(name, SETTINGS)
    assert caught.value.todo


@posix
def test_a_file_is_not_a_serial_port(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("x")
    with pytest.raises(PortError, match="not a serial port"):
        SerialPort(str(path), SETTINGS)


@pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="groups of device files as on Linux"
)
def test_no_permission_names_the_group_and_the_command(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import grp

    import serial

    def refuse(_: serial.Serial) -> None:
        raise serial.SerialException(13, "could not open port: [Errno 13] Permission denied")

    monkeypatch.setattr(serial.Serial, "open", refuse)
    device = tmp_path / "ttyUSB0"
    device.touch()
    with pytest.raises(PortError, match="usermod -aG") as caught:
        SerialPort(str(device), SETTINGS)
    assert grp.getgrgid(device.stat().st_gid).gr_name in caught.value.todo


def test_a_refused_connection_is_said_plainly() -> None:
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        number = held.getsockname()[1]
        with pytest.raises(PortError, match="cannot be reached"):
            SerialPort(f"socket://127.0.0.1:{number}", SETTINGS)


def test_an_exchange_over_a_socket_and_its_end() -> None:
    """A converter on the network answers once, then hangs up."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                connection.recv(64)
                connection.sendall(REPLY)
                connection.recv(64)

        thread = threading.Thread(target=serve)
        thread.start()
        line = Line(SerialPort(f"socket://127.0.0.1:{server.getsockname()[1]}", SETTINGS), SETTINGS)
        assert line.exchange(REQUEST, Waits(reply=2.0)).received == REPLY
        with pytest.raises(PortError, match="connection"):
            line.exchange(REQUEST, Waits(reply=2.0))
        line.close()
        thread.join()


def test_listing_the_ports_of_this_computer_never_fails() -> None:
    for port in ports():
        assert port.device
        assert port.words

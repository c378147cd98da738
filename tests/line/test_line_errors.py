"""Errors that the system counts or flags: Linux TIOCGICOUNT, Windows ClearCommError, and nothing
elsewhere."""

from __future__ import annotations

import ctypes
import os
import struct
import sys
from types import SimpleNamespace
from typing import Any

import pytest

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.line_errors import LineErrors, TellsErrors, error_counter, from_flags
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, read_registers
from tests.line.scripted import ScriptedPort

SETTINGS = LineSettings.parse("9600-8N1")
REQUEST = read_registers(1, Function.READ_HOLDING_REGISTERS, 107, 3)
REPLY = bytes.fromhex(
    "01 03 06 02 2B 00 00 00 64 05 7A"
)  # MODBUS Application Protocol V1.1b3, section 6.3
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="an ioctl of Linux")


class CountingPort(ScriptedPort):
    """A port whose driver counts a framing error a received chunk, from a total that is not its
    own."""

    total: LineErrors | None = LineErrors(framing=1000, breaks=7)

    def receive(self, until: float) -> Any:
        chunk = super().receive(until)
        if chunk is not None and self.total is not None:
            self.total += LineErrors(framing=1)
        return chunk

    def line_errors(self) -> LineErrors | None:
        return self.total


def test_what_the_driver_counted_before_is_nobodys_and_each_exchange_has_its_own() -> None:
    port = CountingPort(lambda _: [(0.01, REPLY[:4]), (0.011, REPLY[4:])])
    line = Line(port, SETTINGS)
    assert line.exchange(REQUEST, Waits()).errors == LineErrors(framing=2)
    port.arrive(port.clock.now() + 0.5, b"\x00")
    assert line.listen(1.0).errors == LineErrors(framing=1)
    assert line.listen(1.0).errors == LineErrors()


def test_what_came_before_a_request_does_not_count_for_its_exchange() -> None:
    """A stray byte while the line settles is a leftover, its error nobody's."""
    port = CountingPort(lambda _: [(0.01, REPLY)])
    line = Line(port, SETTINGS)
    port.arrive(port.clock.now() + 0.001, b"\x00")
    exchange = line.exchange(REQUEST, Waits())
    assert (exchange.leftover, exchange.errors) == (b"\x00", LineErrors(framing=1))


def test_errors_under_other_settings_do_not_count_for_these() -> None:
    """A change of settings makes errors of its own."""
    port = CountingPort(lambda _: [])
    line = Line(port, SETTINGS)
    port.total = LineErrors(framing=2000)
    line.apply(LineSettings.parse("19200-8E1"))
    assert line.listen(1.0).errors == LineErrors()


def test_where_the_system_stops_telling_nothing_is_told() -> None:
    """Neither a total of the past nor a made-up zero."""
    port = CountingPort(lambda _: [])
    line = Line(port, SETTINGS)
    port.total = None
    assert line.listen(1.0).errors is None
    port.total = LineErrors(framing=3000)
    assert line.listen(1.0).errors == LineErrors()


def test_a_port_that_has_no_counter_tells_nothing() -> None:
    port = ScriptedPort(lambda _: [(0.01, REPLY)])
    assert not isinstance(port, TellsErrors)
    line = Line(port, SETTINGS)
    assert line.exchange(REQUEST, Waits()).errors is None
    assert line.listen(0.1).errors is None


@linux
def test_a_pseudo_terminal_has_no_counters() -> None:
    """ENOTTY is no failure."""
    master, slave = os.openpty()
    port = SerialPort(os.ttyname(slave), SETTINGS)
    assert port.line_errors() is None
    port.close()
    os.close(slave)
    os.close(master)


@linux
def test_the_drivers_structure_is_read_in_its_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """`struct serial_icounter_struct` in linux/serial.h: 20 ints, 80 bytes."""
    import fcntl

    def counted(descriptor: int, number: int, room: bytes) -> bytes:
        assert (descriptor, number, len(room)) == (5, 0x545D, 80)
        return struct.pack("11i36x", 1, 2, 3, 4, 5, 6, 70, 800, 9, 10, 11)

    monkeypatch.setattr(fcntl, "ioctl", counted)
    counter = error_counter(SimpleNamespace(fileno=lambda: 5))
    assert counter.total() == LineErrors(framing=70, parity=9, breaks=10, lost=811)


@pytest.mark.parametrize(
    ("mask", "errors"),
    [
        (0x0000, LineErrors(at_least=True)),
        (0x0001, LineErrors(lost=1, at_least=True)),
        (0x0002, LineErrors(lost=1, at_least=True)),
        (0x0004, LineErrors(parity=1, at_least=True)),
        (0x0008, LineErrors(framing=1, at_least=True)),
        (0x0010, LineErrors(breaks=1, at_least=True)),
        (0x001C, LineErrors(framing=1, parity=1, breaks=1, at_least=True)),
    ],
)
def test_flags_of_windows(mask: int, errors: LineErrors) -> None:
    """Microsoft Learn, ClearCommError: CE_RXOVER, CE_OVERRUN, CE_RXPARITY, CE_FRAME, CE_BREAK."""
    assert from_flags(mask) == errors


class Status(ctypes.Structure):
    _fields_ = (("cbInQue", ctypes.c_ulong),)


class Windows:
    """The part of pyserial's `serial.win32` that is used; flags are cleared by the call, as the
    system does."""

    DWORD = ctypes.c_ulong
    COMSTAT = Status

    def __init__(self) -> None:
        self.pending = 0
        self.works = True

    def ClearCommError(self, handle: int, flags: Any, status: Any) -> bool:  # noqa: N802 - the system's name
        assert handle == 42
        flags._obj.value, self.pending = self.pending, 0
        return self.works


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> Windows:
    system = Windows()
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "serial.win32", system)
    return system


def test_flags_are_gathered_before_they_are_cleared(windows: Windows) -> None:
    """Each look takes what there is; the total keeps it."""
    counter = error_counter(SimpleNamespace(_port_handle=42))
    windows.pending = 0x08
    counter.look()
    counter.look()
    windows.pending = 0x08 | 0x10
    assert counter.total() == LineErrors(framing=2, breaks=1, at_least=True)


@pytest.mark.parametrize("port", [SimpleNamespace(), SimpleNamespace(_port_handle=None)])
def test_a_socket_or_a_closed_port_on_windows_tells_nothing(
    port: SimpleNamespace, windows: Windows
) -> None:
    counter = error_counter(port)
    counter.look()
    assert counter.total() is None


def test_a_call_that_fails_tells_nothing(windows: Windows) -> None:
    windows.works = False
    assert error_counter(SimpleNamespace(_port_handle=42)).total() is None


def test_words_say_how_sure_the_number_is() -> None:
    assert LineErrors(framing=3, breaks=1).words == "3 framing errors, 1 break"
    assert LineErrors(parity=1, at_least=True).words == "at least 1 parity error"
    assert LineErrors().words == "no errors"
    assert not LineErrors(at_least=True)

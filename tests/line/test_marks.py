"""Marks in the byte stream: termios(3) on INPCK and PARMRK, and what a real terminal of this system
does."""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from typing import Any

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.line import Line
from busprobe.line.marks import MarkDecoder, mark_errors
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings

SETTINGS = LineSettings.parse("9600-8N1")
posix = pytest.mark.skipif(sys.platform == "win32", reason="terminals are a POSIX thing")
CHARACTERS = st.lists(
    st.tuples(st.one_of(st.sampled_from([0x00, 0xFF]), st.integers(0, 255)), st.booleans())
)


def marked(characters: list[tuple[int, bool]]) -> bytes:
    """What termios(3) says a read gives for (byte, whether it is bad)."""
    pieces = (
        bytes([0xFF, 0, value]) if bad else b"\xff\xff" if value == 0xFF else bytes([value])
        for value, bad in characters
    )
    return b"".join(pieces)


@pytest.mark.parametrize(
    ("read", "data", "bad"),
    [
        ("01 03 00", "01 03 00", ()),
        ("FF FF", "FF", ()),
        ("FF 00 41", "41", (0,)),
        ("FF 00 00", "00", (0,)),  # a break, or a bad 00
        ("FF 00 FF", "FF", (0,)),
        ("41 FF FF FF 00 42 00", "41 FF 42 00", (2,)),
        ("FF FF 00", "FF 00", ()),
        ("FF 41", "FF 41", ()),  # no marking system gives this: nothing is lost
    ],
)
def test_each_line_of_the_table_in_termios(read: str, data: str, bad: tuple[int, ...]) -> None:
    """termios(3), PARMRK."""
    assert MarkDecoder().feed(bytes.fromhex(read)) == (bytes.fromhex(data), bad)


def test_a_mark_that_a_read_cuts_off_is_kept_for_the_next() -> None:
    decoder = MarkDecoder()
    assert decoder.feed(b"\x01\xff") == (b"\x01", ())
    assert decoder.feed(b"\x00") == (b"", ())
    assert decoder.feed(b"\x41\xff") == (b"\x41", (0,))
    assert decoder.feed(b"\xff") == (b"\xff", ())


@given(CHARACTERS, st.lists(st.integers(1, 5)))
def test_what_was_marked_is_found_again_however_the_reads_fall(
    characters: list[tuple[int, bool]], lengths: list[int]
) -> None:
    """Every byte comes back once, in order, with its flag."""
    stream, decoder = marked(characters), MarkDecoder()
    found: list[tuple[int, bool]] = []
    for length in [*lengths, len(stream)]:
        data, bad = decoder.feed(stream[:length])
        stream = stream[length:]
        found += [(value, index in bad) for index, value in enumerate(data)]
    assert found == characters


@given(st.binary())
def test_no_bytes_are_too_odd(read: bytes) -> None:
    """Whatever is read, the flags point into what comes out, and sound bytes stay in order."""
    data, bad = MarkDecoder().feed(read)
    assert all(0 <= index < len(data) for index in bad)
    assert len(data) <= len(read)


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The master end of a pseudo-terminal and the slave's path."""
    import tty

    master, slave = os.openpty()
    tty.setraw(master)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def flags(master: int) -> int:
    import termios

    return int(termios.tcgetattr(master)[0]) & (termios.INPCK | termios.PARMRK)


def let_marks_through(master: int) -> None:
    """Clear PARMRK behind the port's back, so that what is written to the master is read as a
    driver's own marks."""
    import termios

    attributes = termios.tcgetattr(master)
    attributes[0] &= ~termios.PARMRK
    termios.tcsetattr(master, termios.TCSANOW, attributes)


def receive(port: SerialPort, count: int) -> tuple[bytes, tuple[int, ...]]:
    """The next `count` bytes and which of them are bad."""
    with_flags: list[tuple[int, bool]] = []
    while len(with_flags) < count:
        chunk = port.receive(port.clock.now() + 2.0)
        assert chunk is not None
        with_flags += [(value, index in chunk.bad) for index, value in enumerate(chunk.data)]
    return bytes(value for value, _ in with_flags), tuple(
        n for n, (_, bad) in enumerate(with_flags) if bad
    )


@posix
@pytest.mark.parametrize("change", ["9600-8N1", "19200-8E1", "115200-8N2"])
def test_no_doubled_ff_leaks_through_a_real_terminal_whatever_is_set(
    change: str, terminal: tuple[int, str]
) -> None:
    """The kernel doubles FF while it marks; pyserial clears the marking at each change, and it is
    set again."""
    master, path = terminal
    port = SerialPort(path, SETTINGS)
    sent = bytes.fromhex("FF FF 00 41 FF FF FF 00 00 01 FF")
    for settings in (SETTINGS, LineSettings.parse(change), SETTINGS):
        port.apply(settings)
        assert flags(master)
        os.write(master, sent)
        assert receive(port, len(sent)) == (sent, ())
    port.close()


@posix
def test_marks_of_a_driver_become_flags_of_bytes(terminal: tuple[int, str]) -> None:
    master, path = terminal
    with Line(SerialPort(path, SETTINGS), SETTINGS) as line:
        let_marks_through(master)
        os.write(master, bytes.fromhex("41 FF 00 42 FF FF FF 00 00"))
        heard = line.listen(0.05)
    assert (heard.data, heard.bad) == (bytes.fromhex("41 42 FF 00"), (1, 3))


@posix
def test_a_mark_cut_off_at_the_end_of_the_wait_is_no_chunk(terminal: tuple[int, str]) -> None:
    """Half a mark says nothing yet; what was heard before a change of settings does not come after
    it."""
    master, path = terminal
    port = SerialPort(path, SETTINGS)
    let_marks_through(master)
    os.write(master, b"\xff")
    assert port.receive(port.clock.now() + 0.02) is None
    os.write(master, b"\x00\x41\xff")
    assert receive(port, 1) == (b"\x41", (0,))
    assert port.receive(port.clock.now() + 0.02) is None
    port.apply(LineSettings.parse("19200-8N1"))
    os.write(master, b"\x00\x41")
    assert receive(port, 2) == (b"\x00\x41", ())
    port.close()


@posix
def test_the_port_is_left_without_marking(terminal: tuple[int, str]) -> None:
    """Whoever opens it next may not know of doubled FF."""
    master, path = terminal
    port = SerialPort(path, SETTINGS)
    assert flags(master)
    port.close()
    assert not flags(master)


@posix
def test_flags_that_would_swallow_or_signal_errors_are_cleared(terminal: tuple[int, str]) -> None:
    """`stty sane` sets BRKINT, which pyserial leaves: a break would flush what came before it."""
    import termios

    master, path = terminal
    attributes = termios.tcgetattr(master)
    attributes[0] |= termios.BRKINT | termios.IGNPAR
    termios.tcsetattr(master, termios.TCSANOW, attributes)
    port = SerialPort(path, SETTINGS)
    assert not termios.tcgetattr(master)[0] & (termios.BRKINT | termios.IGNPAR)
    port.close()


@posix
def test_a_system_that_does_not_take_it_is_left_as_it_was(
    terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A terminal that drops the flags: bytes pass undecoded."""
    import termios

    master, path = terminal
    real = termios.tcsetattr

    def without_marking(descriptor: int, when: int, attributes: list[Any]) -> None:
        real(descriptor, when, [attributes[0] & ~(termios.PARMRK | termios.INPCK), *attributes[1:]])

    monkeypatch.setattr(termios, "tcsetattr", without_marking)
    port = SerialPort(path, SETTINGS)
    os.write(master, b"\xff\x00\x41\xff\xff")
    assert receive(port, 5) == (b"\xff\x00\x41\xff\xff", ())
    port.close()


@posix
def test_a_rate_without_a_name_is_left_alone(terminal: tuple[int, str]) -> None:
    """A rate that was set by a call of its own stays, and bytes pass undecoded."""
    master, path = terminal
    port = SerialPort(path, LineSettings.parse("250000-8N1"))
    assert not flags(master)
    os.write(master, b"\xff\xff\x00\x41")
    assert receive(port, 4) == (b"\xff\xff\x00\x41", ())
    port.close()


def test_what_is_no_terminal_does_not_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    """A converter on the network, and a system without termios."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = serial.serial_for_url(f"socket://127.0.0.1:{server.getsockname()[1]}")
        assert not mark_errors(port, 9600)
        monkeypatch.setitem(sys.modules, "termios", None)
        assert not mark_errors(port, 9600)
        port.close()

"""Errors that a POSIX terminal marks in the byte stream, and the stream as it was without the
marks.

With INPCK and PARMRK on, and IGNPAR, IGNBRK, BRKINT and ISTRIP off, a read gives (POSIX.1, General
Terminal Interface, Input Modes; termios(3)):

- FF FF for a sound FF, and every other sound byte as it is;
- FF 00 x for a byte x with a parity or framing error;
- FF 00 00 for a break, which a bad 00 cannot be told from.

Chips that report errors once a USB packet have every byte of that packet marked (`ftdi_sio`,
Linux).
"""

from __future__ import annotations

from typing import Any

_MARK = 0xFF


class MarkDecoder:
    """Takes the marks out of what successive reads give."""

    def __init__(self) -> None:
        self._held = b""

    def feed(self, read: bytes) -> tuple[bytes, tuple[int, ...]]:
        """The bytes that were on the wire, and the indexes of the bad ones among them.

        A mark that `read` cuts off is kept for the next call.  FF before anything but FF and 00 is
        no mark, and passed.
        """
        read = self._held + read
        data = bytearray()
        bad: list[int] = []
        at = 0
        while at < len(read):
            mark = read[at : at + 3]
            if mark in (b"\xff", b"\xff\x00"):
                break  # the rest of it comes with the next read
            if mark[0] == _MARK and mark[1] == 0:
                bad.append(len(data))
                data.append(mark[2])
                at += 3
            else:
                data.append(mark[0])
                at += 2 if mark[:2] == b"\xff\xff" else 1
        self._held = read[at:]
        return bytes(data), tuple(bad)


def mark_errors(port: Any, baud: int) -> bool:
    """Have the system mark errors in what is read from an open pyserial `port`.

    False, and all as it was, where it does not: on Windows, sockets, a port that is gone.  To be
    done again whenever pyserial has configured the port, which clears the flags (pyserial 3.5,
    serialposix.py).  A `baud` that termios has no name for was set by a call of its own, which
    setting flags might undo: such a port is left alone.
    """
    try:
        import termios
    except ImportError:
        return False
    if not hasattr(termios, f"B{baud}"):
        return False
    wanted = termios.INPCK | termios.PARMRK
    unwanted = termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP
    try:
        before = termios.tcgetattr(port.fileno())
        flags = before[0] & ~unwanted | wanted
        termios.tcsetattr(port.fileno(), termios.TCSANOW, [flags, *before[1:]])
        if termios.tcgetattr(port.fileno())[0] & (wanted | unwanted) == wanted:
            return True
        termios.tcsetattr(port.fileno(), termios.TCSANOW, before)
    except (termios.error, OSError):
        pass
    return False


def stop_marking(port: Any) -> None:
    """Leave an open pyserial `port` as other programs expect it; one that is closed or gone needs
    nothing."""
    import termios

    try:
        attributes = termios.tcgetattr(port.fileno())
        attributes[0] &= ~(termios.INPCK | termios.PARMRK)
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except (termios.error, OSError):
        return

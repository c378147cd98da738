"""Errors of a receiver as the operating system counts or flags them, where it does.

They are not tied to a byte.  Linux counts in the driver (TIOCGICOUNT, `linux/serial.h`); Windows
gives flags that are cleared as they are read (ClearCommError, `winbase.h`).  Pseudo-terminals,
sockets and other systems have neither.
"""

from __future__ import annotations

import struct
import sys
from dataclasses import asdict, dataclass
from importlib import import_module
from typing import Any, Protocol, runtime_checkable

_COUNTERS = struct.Struct("20i")
"""`struct serial_icounter_struct`: cts, dsr, rng, dcd, rx, tx, frame, overrun, parity, brk,
buf_overrun, 9 reserved."""

_BUFFER_FULL, _OVERRUN, _PARITY, _FRAMING, _BREAK = 0x01, 0x02, 0x04, 0x08, 0x10
"""CE_RXOVER, CE_OVERRUN, CE_RXPARITY, CE_FRAME and CE_BREAK (Microsoft Learn, ClearCommError)."""


@dataclass(frozen=True)
class LineErrors:
    """How often each kind of error was seen."""

    framing: int = 0
    """Characters without a stop bit where one was due."""
    parity: int = 0
    breaks: int = 0
    """The pair held at space for longer than a character."""
    lost: int = 0
    """Characters that came and could not be kept, in the receiver or in the computer."""
    at_least: bool = False
    """Whether these are flags looked at now and then, so that there may have been more."""

    def __bool__(self) -> bool:
        return bool(self.on_wire or self.lost)

    def __add__(self, other: LineErrors) -> LineErrors:
        return LineErrors(
            self.framing + other.framing,
            self.parity + other.parity,
            self.breaks + other.breaks,
            self.lost + other.lost,
            self.at_least or other.at_least,
        )

    def since(self, before: LineErrors) -> LineErrors:
        """What was added since the total `before`."""
        return LineErrors(
            self.framing - before.framing,
            self.parity - before.parity,
            self.breaks - before.breaks,
            self.lost - before.lost,
            self.at_least,
        )

    @property
    def on_wire(self) -> int:
        """Errors in what the pair carried; lost characters may have been sound."""
        return self.framing + self.parity + self.breaks

    @property
    def words(self) -> str:
        """What there is, in plain words: ``3 framing errors, 1 break``."""
        kinds = (
            (self.framing, "framing error"),
            (self.parity, "parity error"),
            (self.breaks, "break"),
            (self.lost, "lost character"),
        )
        listed = ", ".join(
            f"{number} {name}{'s' if number > 1 else ''}" for number, name in kinds if number
        )
        return f"at least {listed}" if listed and self.at_least else listed or "no errors"

    def document(self) -> dict[str, object]:
        """As stored and printed."""
        return asdict(self)


@runtime_checkable
class TellsErrors(Protocol):
    """What a port has besides `busprobe.line.port.Port` where the system may tell errors."""

    def line_errors(self) -> LineErrors | None:
        """All errors since some moment in the past; None where the system does not tell."""
        ...


class ErrorCounter(Protocol):
    """One system's way to errors."""

    def look(self) -> None:
        """To be called before pyserial asks how much has arrived, as that clears what Windows
        has."""
        ...

    def total(self) -> LineErrors | None:
        """All errors since some moment in the past; None where this port has none to tell."""
        ...


def error_counter(port: Any) -> ErrorCounter:
    """The counter of a pyserial `port`; every kind of port has one, though it may never tell."""
    return _Flags(port) if sys.platform == "win32" else _DriverCounts(port)


class _DriverCounts:
    """Linux: counters of the driver, which only grow."""

    def __init__(self, port: Any) -> None:
        self._port = port

    def look(self) -> None:
        """Nothing is lost by not looking."""

    def total(self) -> LineErrors | None:
        try:
            import fcntl
            import termios

            raw = fcntl.ioctl(self._port.fileno(), termios.TIOCGICOUNT, bytes(_COUNTERS.size))
        except (
            ImportError,
            AttributeError,
            OSError,
        ):  # another system, a socket, a pseudo-terminal, a simple driver
            return None
        _, _, _, _, _, _, frame, overrun, parity, breaks, buffer_overrun, *_ = _COUNTERS.unpack(raw)
        return LineErrors(frame, parity, breaks, overrun + buffer_overrun)


class _Flags:
    """Windows: flags since the last call, each counted once a look."""

    def __init__(self, port: Any) -> None:
        self._port = port
        self._total = LineErrors(at_least=True)
        self._tells = False

    def look(self) -> None:
        flags = _comm_error_flags(self._port)
        if flags is not None:
            self._tells = True
            self._total += from_flags(flags)

    def total(self) -> LineErrors | None:
        self.look()
        return self._total if self._tells else None


def from_flags(mask: int) -> LineErrors:
    """One look at the flags of ClearCommError."""
    return LineErrors(
        framing=int(bool(mask & _FRAMING)),
        parity=int(bool(mask & _PARITY)),
        breaks=int(bool(mask & _BREAK)),
        lost=int(bool(mask & (_OVERRUN | _BUFFER_FULL))),
        at_least=True,
    )


def _comm_error_flags(port: Any) -> int | None:
    """The flags of an open port of pyserial's own kind for Windows; None for a socket, a closed
    port, a failed call."""
    handle = getattr(port, "_port_handle", None)
    if handle is None:
        return None
    from ctypes import byref

    win32 = import_module("serial.win32")  # there on Windows only
    flags, status = win32.DWORD(), win32.COMSTAT()
    return int(flags.value) if win32.ClearCommError(handle, byref(flags), byref(status)) else None

"""A real serial port through pyserial: device path, ``COM7``, ``socket://host:port``,
``rfc2217://host:port``."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import serial

from busprobe.errors import PortError
from busprobe.line.clock import Clock, SystemClock
from busprobe.line.line_errors import LineErrors, error_counter
from busprobe.line.marks import MarkDecoder, mark_errors, stop_marking
from busprobe.line.port import Chunk
from busprobe.line.port_trouble import (
    check_url,
    is_pseudo_terminal,
    open_trouble,
    other_holder,
    port_errors,
    use_trouble,
)
from busprobe.line.settings import LineSettings, Parity

_ERRORS: tuple[type[Exception], ...] = port_errors()
"""What pyserial lets through when a port fails."""

_OPEN_ERRORS: tuple[type[Exception], ...] = (*_ERRORS, ValueError)
"""The same, and what it says to settings that a port does not know."""

_SLICE = 0.005
"""Seconds one blocking read may take.  pyserial's timeout is set once, since changing it
reconfigures the port and on ``rfc2217://`` even negotiates with the far end."""

_SETTLE = 0.06
"""Seconds after opening whose bytes are dropped: control lines move and adapters start up (common
practice: 50 to 100 ms)."""

_WRITE_TIMEOUT = 5.0
"""Seconds after which a write that does not move means a dead adapter; the longest frame takes 2.4
s at 1200 baud."""


class SerialPort:
    """An open serial port; a `busprobe.line.port.Port` that tells errors where the system does."""

    def __init__(self, name: str, settings: LineSettings, clock: Clock | None = None) -> None:
        """Open `name` at `settings`; raises `PortError` with the reason and the remedy."""
        self._name = name
        self._clock = clock or SystemClock()
        check_url(name)
        # The kernel keeps no parity on a pseudo-terminal and calls it an error to ask for it.
        self._carries_parity = not is_pseudo_terminal(name)
        holder = other_holder(name)
        if holder:
            raise PortError(
                f"{name} is open in another program: {holder}.",
                means="Two programs on one port steal each other's bytes.",
                todo="Close the other program, then try again.",
            )
        try:
            self._serial = serial.serial_for_url(
                name,
                timeout=_SLICE,
                write_timeout=_WRITE_TIMEOUT,
                do_not_open=True,
                **self._keywords(settings),
            )
            if type(self._serial) is serial.Serial and hasattr(self._serial, "exclusive"):
                self._serial.exclusive = True
            self._serial.open()
        except _OPEN_ERRORS as error:
            raise open_trouble(name, error) from error
        self._settings = settings
        self._errors = error_counter(self._serial)
        self._looked = self._sent_until = self._clock.now()
        """When it was last known that no bytes had come."""
        self._clock.sleep_until(self._sent_until + _SETTLE)
        self._start_afresh()

    @property
    def name(self) -> str:
        """As the user wrote it."""
        return self._name

    @property
    def clock(self) -> Clock:
        """The system's clock unless another was handed in."""
        return self._clock

    def apply(self, settings: LineSettings) -> None:
        """Switch to `settings`; where the driver refuses that on an open port, close and open
        again."""
        keywords = self._keywords(settings)
        try:
            self._serial.apply_settings(keywords)
        except _OPEN_ERRORS:
            self._reopen(keywords)
        self._settings = settings
        self._start_afresh()

    def send(self, data: bytes) -> float:
        """Hand `data` to the driver; the returned end of transmission is calculated from the
        settings.

        Asking the driver instead (tcdrain) is off by an adapter's buffer in either direction.
        """
        start = max(self._clock.now(), self._sent_until)
        with self._translated():
            self._serial.write(data)
        self._looked = self._clock.now()
        self._sent_until = start + self._settings.wire_time(len(data))
        return self._sent_until

    def receive(self, until: float) -> Chunk | None:
        """Wait for bytes until clock time `until`; a burst as the adapter delivers it is one
        chunk."""
        with self._translated():
            while True:
                now = self._clock.now()
                if waiting := self._waiting():
                    if chunk := self._chunk(self._serial.read(waiting)):
                        return chunk
                    continue
                self._looked = now
                left = until - now
                if left <= 0:
                    return None
                if left < _SLICE:
                    self._clock.sleep_until(min(until, self._clock.now() + 0.001))
                    continue
                if read := self._serial.read(1):
                    read += self._serial.read(self._waiting())
                    if chunk := self._chunk(read):
                        return chunk

    def carries(self, settings: LineSettings) -> bool:
        """Whether the port has the parity of `settings`; a pseudo-terminal has none (Linux)."""
        return self._carries_parity or settings.parity is Parity.NONE

    def line_errors(self) -> LineErrors | None:
        """All errors that the system has seen on this port; None where it does not tell."""
        return self._errors.total()

    def close(self) -> None:
        """Release the port; errors of a dead adapter are of no use here."""
        try:
            if self._marks:
                stop_marking(self._serial)
            self._serial.close()
        except _ERRORS:
            return

    def _waiting(self) -> int:
        """How many bytes have arrived."""
        self._errors.look()
        return int(self._serial.in_waiting)

    def _chunk(self, read: bytes) -> Chunk | None:
        """What was read, marks taken out; None if that was only the beginning of a mark."""
        data, bad = self._marks.feed(read) if self._marks else (read, ())
        now = self._clock.now()
        late = max(0.0, now - self._looked - _SLICE)
        self._looked = now
        return Chunk(now, data, bad, late) if data else None

    def _start_afresh(self) -> None:
        """Have errors marked again after the port was configured, and drop what came before."""
        with self._translated():
            self._marks = MarkDecoder() if mark_errors(self._serial, self._settings.baud) else None
            self._serial.reset_input_buffer()

    def _reopen(self, keywords: dict[str, Any]) -> None:
        self.close()
        try:
            self._serial.apply_settings(keywords)
            self._serial.open()
        except _OPEN_ERRORS as error:
            raise open_trouble(self._name, error) from error

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """What pyserial raises on an open port becomes one typed error."""
        try:
            yield
        except _ERRORS as error:
            raise use_trouble(self._name, error) from error

    def _keywords(self, settings: LineSettings) -> dict[str, Any]:
        """`settings` as pyserial names them."""
        return {
            "baudrate": settings.baud,
            "bytesize": settings.data_bits,
            "parity": str(settings.parity) if self._carries_parity else serial.PARITY_NONE,
            "stopbits": settings.stop_bits,
        }

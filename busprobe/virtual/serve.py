"""The segment served to another program, in real time: on a pseudo-terminal (POSIX) or a TCP port
(everywhere).

What the other program writes goes onto the pair as one transmission, at the speed of the line
settings; what the adapter receives comes back byte by byte at its time.  What gets lost on the way:

- a pseudo-terminal carries no parity and no framing errors: bad bytes arrive as if they were good;
- Linux keeps the baud rate and the stop bits of a pseudo-terminal but no parity; asking for one is
  an error there (seen with glibc).  Unless `settings` are given, one stop bit is taken for the
  format that most units of the scenario have at that baud rate, 8N1 if there are none; units of
  another format at the same rate cannot be reached so;
- on TCP there are no line settings at all; they are given when serving;
- a baud rate that `termios` has no name for is not recognised: the settings before it stay.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Any

from busprobe.errors import PortError, UsageError
from busprobe.line.clock import SystemClock
from busprobe.line.settings import LineSettings, Parity
from busprobe.virtual.adapter import VirtualPort
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment

_LONGEST_WAIT = 0.05
"""Seconds after which a server looks whether it is to stop, or whether new line settings have been
set."""


def serve_pty(
    segment: Segment,
    link: Path,
    stop: Event,
    *,
    settings: LineSettings | None = None,
    ready: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve on a new pseudo-terminal with a symbolic link `link` to it until `stop` is set.

    Calls `ready` with the name to open once that can be done.  An old link in the way is replaced,
    any other file is not.  Raises `UsageError` on systems without pseudo-terminals, `PortError` if
    the link cannot be made or the scenario's adapter goes away.
    """
    _require_system_clock(segment)
    try:
        import pty
        import termios
        import tty
    except ImportError as error:
        raise UsageError(
            "This system has no pseudo-terminals.",
            todo="Serve on TCP instead, and open socket://HOST:PORT.",
        ) from error
    ours, theirs = pty.openpty()
    try:
        tty.setraw(theirs)
        port = segment.port(str(link))

        def follow() -> None:
            wanted = settings or _from_terminal(termios.tcgetattr(theirs), segment.scenario)
            if wanted is not None and wanted != applied[0]:
                port.apply(wanted)
                applied[0] = wanted

        applied: list[LineSettings | None] = [None]
        with contextlib.closing(port), _linked(link, os.ttyname(theirs)):
            follow()
            ready(str(link))
            _bridge(port, _Descriptor(ours), stop, follow=follow)
    finally:
        os.close(ours)
        os.close(theirs)


def serve_tcp(
    segment: Segment,
    host: str,
    port_number: int,
    stop: Event,
    *,
    settings: LineSettings,
    ready: Callable[[str], None] = lambda _: None,
) -> None:
    """Serve on TCP, one connection at a time, until `stop` is set; `port_number` 0 takes a free
    one.

    Calls `ready` with ``socket://HOST:PORT`` once that can be opened.  Raises `PortError` if the
    address cannot be used or the scenario's adapter goes away.
    """
    _require_system_clock(segment)
    remedy = "Name a host of this computer and a free port from 1024 to 65535."
    if not 0 <= port_number <= 0xFFFF:
        raise PortError(
            f"Cannot serve on {host}:{port_number}: there is no such port.", todo=remedy
        )
    try:
        server = socket.create_server((host, port_number))
    except OSError as error:
        raise PortError(
            f"Cannot serve on {host}:{port_number}: {error.strerror}.", todo=remedy
        ) from error
    with (
        server,
        contextlib.closing(segment.port(f"socket://{host}:{server.getsockname()[1]}")) as port,
    ):
        port.apply(settings)
        ready(port.name)
        while not stop.is_set():
            while port.receive(0.0) is not None:
                pass  # nobody is connected: what comes is lost
            if not select.select([server], [], [], _LONGEST_WAIT)[0]:
                continue
            connection, _ = server.accept()
            with connection:
                _bridge(port, _Connection(connection), stop)


class _Descriptor:
    """Our end of a pseudo-terminal.  What nobody reads is lost when the system's buffer is full, as
    on a real port."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        os.set_blocking(descriptor, False)

    def fileno(self) -> int:
        return self._descriptor

    def read(self) -> bytes:
        return os.read(self._descriptor, 4096)

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(self._descriptor, data)


class _Connection:
    """An accepted TCP connection, with the same loss."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def fileno(self) -> int:
        return self._connection.fileno()

    def read(self) -> bytes:
        return self._connection.recv(4096)

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            self._connection.send(data)


def _bridge(
    port: VirtualPort,
    far_end: _Descriptor | _Connection,
    stop: Event,
    *,
    follow: Callable[[], None] = lambda: None,
) -> None:
    """Carry bytes between `port` and `far_end` until `stop` is set or the far end has gone;
    `follow` at each turn."""
    while not stop.is_set():
        wait = min(max(port.wakes_at - port.clock.now(), 0.0), _LONGEST_WAIT)
        try:
            readable, _, _ = select.select([far_end], [], [], wait)
            follow()
            if readable:
                data = far_end.read()
                if not data:
                    return
                port.send(data)
            while (chunk := port.receive(0.0)) is not None:
                far_end.write(chunk.data)
        except OSError:
            return


@contextmanager
def _linked(link: Path, device: str) -> Iterator[None]:
    """`link` leads to `device` meanwhile."""
    try:
        if link.is_symlink():
            link.unlink()
        link.symlink_to(device)
    except OSError as error:
        raise PortError(
            f"The link {link} cannot be made: {error.strerror}.",
            todo="Name a path that does not exist yet, in a folder where you may write.",
        ) from error
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            link.unlink()


def _from_terminal(attributes: list[Any], scenario: Scenario) -> LineSettings | None:
    """The line settings that somebody has set on a pseudo-terminal, as far as it keeps them."""
    import termios

    _, _, flags, _, _, speed, _ = attributes
    rates = {
        getattr(termios, name): int(name[1:])
        for name in dir(termios)
        if name[0] == "B" and name[1:].isdigit()
    }
    baud = rates.get(speed, 0)
    if baud < 300:  # B0 hangs up; slower ones are no line settings here
        return None
    if flags & termios.CSTOPB:
        return LineSettings(baud, 8, Parity.NONE, 2)
    there = Counter(unit.settings or scenario.types[unit.type].settings for unit in scenario.units)
    fitting = [settings for settings, _ in there.most_common() if settings.baud == baud]
    return fitting[0] if fitting else LineSettings(baud, 8, Parity.NONE, 1)


def _require_system_clock(segment: Segment) -> None:
    if not isinstance(segment.clock, SystemClock):
        raise TypeError("a segment can be served in real time only")

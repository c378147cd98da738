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
import math
import os
import select
import socket
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
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

MOST_CLIENTS = 8
"""Programs that may be connected to a segment on TCP; our choice."""

SILENT_AFTER = 900.0
"""Seconds after which one that sends nothing is disconnected: longer than a person reads a screen;
our choice."""

_READ = 65536
"""Bytes that are taken of a client at a time."""

_BUFFER = 4096
"""Bytes of a client that wait for the line, as in a serial server; our choice."""

_AT_ONCE = 256
"""Bytes that are put on the line at a time: the longest frame (V1.02 section 2.5.1)."""

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
            client = _Client(port, _Descriptor(ours))
            there = True
            while there and not stop.is_set():
                readable = bool(_ready([client]))
                follow()
                there = client.carry(readable=readable)
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
    """Serve on TCP until `stop` is set; `port_number` 0 takes a free one, of `host` alone.

    Several programs may be connected, up to `MOST_CLIENTS`: each is at an adapter of its own, so
    that they disturb each other as several masters on one bus do.  A further one, and one that has
    sent nothing for `SILENT_AFTER`, is disconnected.  Calls `ready` with ``socket://HOST:PORT``
    once that can be opened.  Raises `PortError` if the address cannot be used or the scenario's
    adapter goes away.
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
    name = f"socket://{host}:{server.getsockname()[1]}"
    clients: list[_Client] = []
    with server, contextlib.closing(segment.port(name)) as watch, _left(clients):
        ready(name)
        while not stop.is_set():
            while watch.receive(0.0) is not None:
                pass  # it only keeps the segment going while nobody is connected
            ready_now = _ready(clients, [server])
            silent_since = watch.clock.now() - SILENT_AFTER
            for client in [*clients]:
                there = client.carry(readable=client.far_end in ready_now)
                if not there or client.heard < silent_since:
                    clients.remove(client)
                    _leave(client)
            if server in ready_now:
                connection, _ = server.accept()
                if len(clients) == MOST_CLIENTS:
                    connection.close()
                    continue
                port = segment.port(name)
                port.apply(settings)
                clients.append(_Client(port, _Connection(connection)))


class _Descriptor:
    """Our end of a pseudo-terminal.  What nobody reads is lost when the system's buffer is full, as
    on a real port."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        os.set_blocking(descriptor, False)

    def fileno(self) -> int:
        return self._descriptor

    def read(self) -> bytes:
        return os.read(self._descriptor, _READ)

    def close(self) -> None:
        """Whoever opened it closes it."""

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
        return self._connection.recv(_READ)

    def close(self) -> None:
        self._connection.close()

    def write(self, data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            self._connection.send(data)


def _leave(client: _Client) -> None:
    client.port.close()
    client.far_end.close()


@contextmanager
def _left(clients: Sequence[_Client]) -> Iterator[None]:
    """Those of the clients that are there at the end are disconnected."""
    try:
        yield
    finally:
        for client in clients:
            _leave(client)


class _Client:
    """A program at the far end, and the adapter by which it is on the segment."""

    def __init__(self, port: VirtualPort, far_end: _Descriptor | _Connection) -> None:
        self.port = port
        self.far_end = far_end
        self.heard = port.clock.now()
        """Clock seconds when it last sent anything."""
        self._waiting = b""

    @property
    def due(self) -> float:
        """Clock seconds at which there is something to do for it again."""
        sends = self.port.sends_until if self._waiting else math.inf
        return min(self.port.wakes_at, sends)

    def carry(self, *, readable: bool) -> bool:
        """Carry what is there, both ways; whether the far end is still there.

        What it sends faster than the line can carry is lost beyond `_BUFFER`: a flood is over when
        who sends it has gone.
        """
        try:
            data = self.far_end.read() if readable else None
            while (chunk := self.port.receive(0.0)) is not None:
                self.far_end.write(chunk.data)
        except OSError:
            return False
        if data:
            self.heard = self.port.clock.now()
            self._waiting += data[: _BUFFER - len(self._waiting)]
        if self._waiting and self.port.sends_until <= self.port.clock.now():
            waiting, self._waiting = self._waiting[:_AT_ONCE], self._waiting[_AT_ONCE:]
            self.port.send(waiting)
        return data != b""


def _ready(clients: Sequence[_Client], door: Sequence[socket.socket] = ()) -> list[Any]:
    """Wait until there is something to do; the far ends and doors at which there is."""
    now = clients[0].port.clock.now() if clients else 0.0
    wait = min([max(0.0, client.due - now) for client in clients] + [_LONGEST_WAIT])
    return select.select([*(client.far_end for client in clients), *door], [], [], wait)[0]


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

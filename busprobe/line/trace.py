"""The trace: every byte sent and heard, with its time, in a capture file that general protocol
analysers open.

Link type and header of each packet: LINKTYPE_RTAC_SERIAL of the published list of link-layer header
types (tcpdump.org/linktypes), made for serial lines.  Bytes that follow each other without a pause
are one packet, however the adapter delivered them, so that an analyser has whole frames; when each
burst came is kept beside them.
"""

from __future__ import annotations

import struct
import time
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from threading import Lock
from typing import BinaryIO

from busprobe import __version__
from busprobe.errors import FileError, Mistake
from busprobe.files import pcapng
from busprobe.files.reading import reason
from busprobe.line.clock import Clock
from busprobe.line.line_errors import LineErrors, TellsErrors
from busprobe.line.port import CarriesSome, Chunk, Port
from busprobe.line.settings import LineSettings

LINK_TYPE = 250
"""LINKTYPE_RTAC_SERIAL."""
HEADER = struct.Struct(">IIBBH")
"""Seconds and microseconds (readers may pass over them), event, state of the control lines, two
bytes that are reserved.  The list does not say the order of bytes: big-endian from memory."""
BURSTS = pcapng.LOCAL | 0x4250
"""Option of a packet: for each burst the microseconds since the first, and its bytes."""
BURST = struct.Struct("<II")
BAD = pcapng.LOCAL | 0x4251
"""Option of a packet: indexes of the bytes that the receiver flagged."""
INDEX = struct.Struct("<I")
_MOST = 4096
"""Bytes after which a packet ends whatever comes."""


class Event(IntEnum):
    """What a packet is, by the published list; the others are not used here."""

    SENT = 1
    HEARD = 2
    COMPLETE = 6
    """The port was closed: nothing is missing up to then."""


class TraceFile:
    """A trace being written; for the lines of one program, one after the other or at once."""

    def __init__(self, path: Path) -> None:
        """Begin the file at `path`; raises `FileError` where there is one, or none can be made."""
        self.path = path
        self.trouble: OSError | None = None
        """Why it has ended early, where it has: a trace never disturbs what it watches."""
        self._interfaces: dict[pcapng.Interface, int] = {}
        self._lock = Lock()
        try:
            self._file: BinaryIO = path.open("xb", buffering=0)
        except FileExistsError:
            raise FileError(
                str(path),
                [Mistake("", "there is a file of that name, and a trace replaces none")],
                kind="trace",
                todo="Name another one, or move that one away.",
            ) from None
        except (OSError, ValueError) as error:
            what = f"it cannot be written; {reason(error)}"
            raise FileError(
                str(path), [Mistake("", what)], kind="trace", todo="Name another place."
            ) from error
        self._write(pcapng.section(f"busprobe {__version__}"))

    def add(self, packet: pcapng.Packet) -> None:
        """Write one packet; never raises."""
        with self._lock:
            described = packet.interface not in self._interfaces
            number = self._interfaces.setdefault(packet.interface, len(self._interfaces))
            head = pcapng.interface(packet.interface) if described else b""
            self._write(head + pcapng.packet(packet, number))

    def close(self) -> None:
        """End the file; may be called again."""
        with self._lock:
            self._file.close()

    def _write(self, block: bytes) -> None:
        if self.trouble is not None or self._file.closed:
            return
        try:
            while block:
                block = block[self._file.write(block) :]
        except OSError as error:
            self.trouble = error


_file: TraceFile | None = None
"""The one of this program, like its log."""


def write_to(file: TraceFile | None) -> None:
    """From now on lines are traced to `file` when they are opened; None ends that."""
    global _file
    _file = file


def traced(port: Port) -> Port:
    """`port`, or one that traces what goes through it; the line asks for it, for every port."""
    return port if _file is None else _TracedPort(port, _file)


@dataclass
class _Heard:
    """Bytes heard so far without a pause."""

    chunks: list[Chunk]
    size: int


class _TracedPort:
    """A port that tells a trace all that goes through it."""

    def __init__(self, port: Port, file: TraceFile) -> None:
        self._port = port
        self._file = file
        self._epoch = time.time() - port.clock.now()
        self._settings = LineSettings()
        self._heard = _Heard([], 0)
        self._closed = False

    @property
    def name(self) -> str:
        return self._port.name

    @property
    def clock(self) -> Clock:
        return self._port.clock

    def apply(self, settings: LineSettings) -> None:
        self._end()
        self._port.apply(settings)
        self._settings = settings

    def send(self, data: bytes) -> float:
        self._end()
        sent = self._port.send(data)
        self._add(Event.SENT, sent - self._settings.wire_time(len(data)), data)
        return sent

    def receive(self, until: float) -> Chunk | None:
        chunk = self._port.receive(until)
        if chunk is not None and chunk.data:
            if self._paused(chunk):
                self._end()
            self._heard.chunks.append(chunk)
            self._heard.size += len(chunk.data)
        return chunk

    def close(self) -> None:
        self._end()
        if not self._closed:
            self._add(Event.COMPLETE, self.clock.now(), b"")
        self._closed = True
        self._port.close()

    def carries(self, settings: LineSettings) -> bool:
        return not isinstance(self._port, CarriesSome) or self._port.carries(settings)

    def line_errors(self) -> LineErrors | None:
        return self._port.line_errors() if isinstance(self._port, TellsErrors) else None

    def _paused(self, chunk: Chunk) -> bool:
        """Whether the bus was silent before `chunk` for as long as parts two frames (V1.02 section
        2.5.1.1); an adapter's own delay is passed over."""
        if not self._heard.chunks:
            return False
        began = chunk.at - self._settings.wire_time(len(chunk.data))
        pause = began - self._heard.chunks[-1].at
        return pause > self._settings.t3_5 or self._heard.size >= _MOST

    def _end(self) -> None:
        """Write what was heard as a packet."""
        chunks, self._heard = self._heard.chunks, _Heard([], 0)
        if not chunks:
            return
        first, last = chunks[0].at, chunks[-1].at
        local = []
        comment = ""
        if len(chunks) > 1:
            after = [max(0, round((chunk.at - first) * 1e6)) for chunk in chunks]
            pairs = zip(after, chunks, strict=True)
            local.append((BURSTS, b"".join(BURST.pack(at, len(each.data)) for at, each in pairs)))
            comment = (
                f"Delivered in {len(chunks)} bursts, the last {1000 * (last - first):.1f} ms after"
                " the first."
            )
        bad, start = [], 0
        for chunk in chunks:
            bad += [start + index for index in chunk.bad]
            start += len(chunk.data)
        if bad:
            local.append((BAD, b"".join(map(INDEX.pack, bad))))
        data = b"".join(chunk.data for chunk in chunks)
        self._add(Event.HEARD, first, data, comment, tuple(local))

    def _add(
        self,
        event: Event,
        moment: float,
        data: bytes,
        comment: str = "",
        local: tuple[pcapng.Option, ...] = (),
    ) -> None:
        at = max(0, round((self._epoch + moment) * 1e6))
        header = HEADER.pack(at // 10**6 & 0xFFFFFFFF, at % 10**6, event, 0, 0)
        way = {
            Event.SENT: pcapng.Direction.OUTBOUND,
            Event.HEARD: pcapng.Direction.INBOUND,
        }.get(event, pcapng.Direction.UNKNOWN)
        self._file.add(
            pcapng.Packet(
                pcapng.Interface(LINK_TYPE, self.name, str(self._settings), self._settings.baud),
                at,
                header + data,
                way,
                faulty=any(code == BAD for code, _ in local),
                comment=comment,
                local=local,
            )
        )

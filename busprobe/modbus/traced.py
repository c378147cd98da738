"""A trace read back: the exchanges that it holds, found as they were when they were made.

What was captured is played to a `Line`, so that echo, bursts and times are understood by the same
code as on the bus, and each reply is judged as it was then.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Annotated

from busprobe.errors import UsageError
from busprobe.files import pcapng
from busprobe.files.documents import AsText
from busprobe.line.clock import VirtualClock
from busprobe.line.echo import Echo
from busprobe.line.exchange import Heard, Waits
from busprobe.line.line import Line
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.line.trace import BAD, BURST, BURSTS, HEADER, INDEX, LINK_TYPE, Event
from busprobe.modbus.replies import Verdict, judge
from busprobe.modbus.requests import parse_request
from busprobe.modbus.traffic import valid_frames
from busprobe.text import hex_bytes

Bytes = Annotated[bytes, AsText(bytes.fromhex, hex_bytes)]
"""Hex pairs in a document."""
_WHATEVER_COMES = Waits(reply=1e9, silence=1e9, after=1e9)
"""The end of an exchange is the next thing in the trace."""


@dataclass(frozen=True)
class Burst:
    """Bytes that were delivered together."""

    after_ms: float
    """Milliseconds from the end of the request to when the last of them was there; from the first
    burst where nothing was sent."""
    bytes: int
    """How many."""


@dataclass(frozen=True)
class TracedExchange:
    """One request and all that was heard until the next; or what was heard while nothing was
    sent."""

    at: datetime
    """When the request began to leave, or the first bytes were there."""
    port: str
    settings: LineSettings
    request: Bytes
    """The frame sent; empty where bytes were only heard."""
    asked: str
    """The request in plain words; empty where it is none that busprobe makes."""
    received: Bytes
    """All that was heard, our own echo taken out."""
    verdict: Verdict | None
    """What the reply is; None where there is no request to judge it by."""
    told: str
    """The same in plain words."""
    latency_ms: float | None
    """Milliseconds from the end of the request to the first byte of the reply; None without one."""
    echo: Echo
    bursts: tuple[Burst, ...]
    flagged: tuple[int, ...]
    """Indexes of received bytes that the receiver flagged (parity, framing or break)."""


@dataclass(frozen=True)
class _Moment:
    """One packet of the trace."""

    at: float
    """Seconds since 1970-01-01 UTC."""
    event: Event
    settings: LineSettings
    data: bytes
    chunks: tuple[Chunk, ...]


@dataclass(frozen=True)
class _Unknown:
    """A frame that no request of ours is; as the line needs it."""

    frame: bytes
    mirrored: bool = False

    def is_complete(self, received: bytes) -> bool:  # noqa: ARG002 - as the line asks
        return False

    def is_begun(self, received: bytes) -> bool:  # noqa: ARG002 - as the line asks
        return False


class _PlayedPort:
    """A `busprobe.line.port.Port` that sends and hears again what a trace holds."""

    def __init__(self, name: str, moments: Iterable[_Moment], start: float) -> None:
        self.name = name
        self.clock = VirtualClock(start)
        self._left = deque(moments)
        self._settings = LineSettings()

    @property
    def next(self) -> _Moment | None:
        """What comes next in the trace; None at its end."""
        return self._left[0] if self._left else None

    def apply(self, settings: LineSettings) -> None:
        self._settings = settings

    def send(self, data: bytes) -> float:
        moment = self._left.popleft()
        self.clock.sleep_until(moment.at)
        return moment.at + self._settings.wire_time(len(data))

    def receive(self, until: float) -> Chunk | None:
        moment = self.next
        if moment is None:
            return None
        if moment.event is not Event.HEARD or moment.settings != self._settings:
            self.clock.sleep_until(min(until, moment.at))
            return None
        self._left.popleft()
        chunk, *later = moment.chunks
        if later:
            self._left.appendleft(replace(moment, at=later[0].at, chunks=tuple(later)))
        self.clock.sleep_until(chunk.at)
        return chunk

    def close(self) -> None:
        pass


def exchanges(packets: Iterable[pcapng.Packet]) -> Iterator[TracedExchange]:
    """What the packets of a trace hold, in their order.

    Raises ValueError where there is a packet of something else than a serial line, or none of line
    settings that are said.
    """
    for name, moments in _runs(packets):
        yield from _played(name, moments)


def _runs(packets: Iterable[pcapng.Packet]) -> Iterator[tuple[str, list[_Moment]]]:
    """What one port did from its opening to its closing, one after the other."""
    name, moments = "", list[_Moment]()
    trouble = None
    try:
        for packet in packets:
            if packet.interface.name != name and moments:
                yield name, moments
                moments = []
            name = packet.interface.name
            if moment := _moment(packet):
                moments.append(moment)
                if moment.event is Event.COMPLETE:
                    yield name, moments
                    moments = []
    except ValueError as error:  # all that comes before it holds
        trouble = error
    if moments:
        yield name, moments
    if trouble is not None:
        raise trouble


def _moment(packet: pcapng.Packet) -> _Moment | None:
    """What a packet says; None where it is about nothing that is shown, such as control lines."""
    if packet.interface.link_type != LINK_TYPE:
        raise ValueError(
            f"it has packets of link type {packet.interface.link_type}, and a serial line is"
            f" {LINK_TYPE}"
        )
    if len(packet.data) < HEADER.size:
        raise ValueError("a packet is shorter than its header")
    try:
        settings = LineSettings.parse(packet.interface.description)
    except UsageError:
        raise ValueError("a port does not say its line settings in its description") from None
    kind, data = HEADER.unpack_from(packet.data)[2], packet.data[HEADER.size :]
    if kind not in list(Event):
        return None
    at = packet.at / 1e6
    return _Moment(at, Event(kind), settings, data, _chunks(at, data, dict(packet.local)))


def _chunks(at: float, data: bytes, local: dict[int, bytes]) -> tuple[Chunk, ...]:
    """`data` as it was delivered."""
    try:
        bursts = list(BURST.iter_unpack(local.get(BURSTS, BURST.pack(0, len(data)))))
        bad = [index for (index,) in INDEX.iter_unpack(local.get(BAD, b""))]
    except struct.error:
        raise ValueError("a packet does not say in bytes when they came") from None
    if sum(count for _, count in bursts) != len(data):
        raise ValueError("a packet says of other bytes than it has when they came")
    made, start = [], 0
    for after, count in bursts:
        end = start + count
        own = tuple(index - start for index in bad if start <= index < end)
        made.append(Chunk(at + after / 1e6, data[start:end], own))
        start = end
    return tuple(made)


def _played(name: str, moments: list[_Moment]) -> Iterator[TracedExchange]:
    port = _PlayedPort(name, moments, moments[0].at)
    with Line(port, moments[0].settings) as line:
        while (moment := port.next) is not None:
            line.apply(moment.settings)
            if moment.event is Event.SENT:
                yield _exchange(name, line, moment, port)
            elif moment.event is Event.HEARD:
                yield _heard(name, line, moment)
            else:
                return


def _exchange(name: str, line: Line, moment: _Moment, port: _PlayedPort) -> TracedExchange:
    request = parse_request(moment.data)
    made = line.exchange(request or _Unknown(moment.data), _WHATEVER_COMES)
    reply = judge(request, made) if request else None
    told = reply.words if reply else _frames(made.received)
    if not made.received and port.next is None:
        told = "no reply up to where the trace ends"
    latency = made.latency if reply is None or not reply.frame else reply.latency
    return TracedExchange(
        _moment_of(moment.at),
        name,
        made.settings,
        moment.data,
        request.words if request else "",
        made.received,
        reply.verdict if reply else None,
        told,
        None if latency is None else round(1000 * latency, 3),
        made.echo,
        _bursts(made.chunks, made.sent),
        Heard(0, made.chunks).bad,
    )


def _heard(name: str, line: Line, moment: _Moment) -> TracedExchange:
    heard = line.listen(_WHATEVER_COMES.reply)
    return TracedExchange(
        _moment_of(moment.at),
        name,
        line.settings,
        b"",
        "",
        heard.data,
        None,
        _frames(heard.data),
        None,
        Echo.NONE,
        _bursts(heard.chunks, moment.at),
        heard.bad,
    )


def _frames(data: bytes) -> str:
    """What is to be seen in bytes that are the reply to no request of ours."""
    if not data:
        return "no reply"
    seen = "; ".join(frame.words for frame in valid_frames(data)) or "no valid frame"
    return f"{seen}: {hex_bytes(data)}"


def _moment_of(at: float) -> datetime:
    return datetime.fromtimestamp(at, UTC)


def _bursts(chunks: Iterable[Chunk], since: float) -> tuple[Burst, ...]:
    return tuple(Burst(round(1000 * (each.at - since), 3), len(each.data)) for each in chunks)

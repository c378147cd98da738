"""The hunt: asking the same addresses again and again, to see the moment a unit starts or stops
answering.

Hands are at the terminals meanwhile, so only what was seen on the wire is told, with its moment: a
loose screw shows as a unit that vanishes and appears.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import Enum, auto
from threading import Event as Cancel

from busprobe.errors import PortError
from busprobe.line.exchange import PULSES, Waits
from busprobe.line.line import Line
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Function, Request, read_registers, report_server_id

WAITS = Waits(reply=0.1)
"""Short, since an absent unit costs the whole wait each round; 30 ms of it may be the adapter's
(common practice)."""

MISSES = 3
"""Unanswered requests in a row that make a unit vanished; a single lost reply is none (common
practice)."""

PATIENT = 2.0
"""Seconds that even a slow unit needs no more than (common practice)."""

_PROMPT = 2
"""Requests answered in a row at the first attempt that show that a unit keeps to its wait."""

_MARGIN = 1.5
"""How much longer than its slowest reply a unit is waited for."""


class Seen(Enum):
    """What comes from an address that is asked."""

    REPLIES = auto()
    SILENCE = auto()
    GARBLED = auto()
    """Bytes that make no frame: two units at this address, or a bad contact."""


@dataclass(frozen=True)
class UnitChanged:
    """Something else comes from a unit than before."""

    address: int
    now: Seen
    at: float
    """Clock seconds: when its reply began on the wire, or when the first request that it did not
    answer was out."""
    last_seen: float
    """Clock seconds of its last reply; one that went silent did so between the two."""
    words: str = ""
    """The reply, in plain words."""


@dataclass(frozen=True)
class HuntRound:
    """Everybody was asked once."""

    number: int
    """Counts from 1."""
    at: float
    """Clock seconds of the round's end."""
    seconds: float
    """How long the round took."""
    present: tuple[int, ...]
    """Addresses that answer, a reply lost now and then included."""
    lost: tuple[int, ...]
    """Addresses among them that left at least one request of this round unanswered: a sign of a bad
    contact."""
    garbled: tuple[int, ...]
    """Addresses that gave bytes but no frame, more than a pulse or two: somebody is there and
    cannot be read."""


@dataclass(frozen=True)
class PortLost:
    """The port has failed: nothing is known of any unit until it is back."""

    error: PortError


@dataclass(frozen=True)
class PortBack:
    """The port is open again, and all units are asked anew."""


HuntEvent = UnitChanged | HuntRound
PortEvent = PortLost | PortBack


@dataclass
class _Watch:
    """One address under watch."""

    probes: tuple[Request, ...]
    """Kinds of requests in turn; the one that was answered is kept to."""
    reply_wait: float
    """Seconds; grows with what the unit is seen to need."""
    kind: int = 0
    prompt: int = 0
    """Requests answered in a row at the first attempt; once there were enough of them it counts no
    more."""
    present: bool = False
    last_seen: float = 0.0
    first_miss: float = 0.0
    lost: bool = False
    garbled: bool = False
    corrupt: bool = False
    """Whether it was told that bytes come which make no frame."""
    alike: int = 0
    """Failed requests in a row that ended as the last one: in such bytes, or in silence."""

    @property
    def request(self) -> Request:
        return self.probes[self.kind]


def probes(address: int) -> tuple[Request, ...]:
    """The kinds of requests tried at an address that has not answered yet, one a round.

    A unit may be silent on what it does not have (common practice).  Neighbours are asked for
    different quantities, so that a late reply of one cannot pass for the other's.
    """
    count = 1 + address % 2
    return (
        read_registers(address, Function.READ_HOLDING_REGISTERS, 0, count),
        read_registers(address, Function.READ_INPUT_REGISTERS, 0, count),
        report_server_id(address),
    )


def hunt(
    line: Line,
    addresses: Sequence[int],
    cancel: Cancel,
    *,
    known: Sequence[Request] = (),
    waits: Waits = WAITS,
    misses: int = MISSES,
) -> Iterator[HuntEvent]:
    """Ask `addresses` round robin until `cancel` is set; yields events as they are seen on the
    wire.

    `known` are requests that units are known to answer, by an earlier find: they take the place of
    `probes` at their addresses.  A unit that fails to answer is asked again at once, and has
    vanished after `misses` in a row; one that has not shown that it keeps to its wait is given
    `PATIENT` seconds before that, and then the time it was seen to need.  The generator ends after
    the exchange under way when `cancel` is set.  Raises `PortError` if the port fails.
    """
    answered = {request.address: (request,) for request in known}
    watches = {
        address: _Watch(answered.get(address) or probes(address), waits.reply)
        for address in addresses
    }
    number = 0
    while watches and not cancel.is_set():
        started = line.clock.now()
        for watch in watches.values():
            if cancel.is_set():
                return
            yield from _ask(line, watch, watches, waits, misses, cancel)
        number += 1
        yield _round(number, started, line.clock.now(), watches)


def _ask(
    line: Line, watch: _Watch, watches: dict[int, _Watch], waits: Waits, misses: int, cancel: Cancel
) -> Iterator[HuntEvent]:
    """Ask one address, more than once if a reply of a present unit fails to come."""
    watch.lost = False
    for attempt in range(misses):
        if attempt and cancel.is_set():
            return
        last = watch.present and attempt == misses - 1
        reply_wait = PATIENT if last and watch.prompt < _PROMPT else watch.reply_wait
        reply = judge(watch.request, line.exchange(watch.request, replace(waits, reply=reply_wait)))
        began = reply.exchange.sent + (reply.exchange.latency or 0.0)
        late = None if reply.present else _late(watches, reply)
        if late is not None:
            yield from _seen(*late, began)  # a late reply is one all the same
            if late[0] is watch:
                return
        if reply.present:
            if watch.prompt < _PROMPT:
                watch.prompt = 0 if attempt else watch.prompt + 1
            watch.reply_wait = max(watch.reply_wait, _MARGIN * (reply.latency or 0.0))
            yield from _seen(watch, reply, began)
            return
        foreign = late is not None or reply.verdict is Verdict.FOREIGN
        garbled = bool(reply.exchange.received.strip(PULSES)) and not foreign
        alike = garbled == watch.garbled
        watch.alike, watch.garbled = watch.alike + 1 if alike else 1, garbled
        if watch.alike == 1:
            watch.first_miss = reply.exchange.sent
        if not watch.present:
            watch.kind = (watch.kind + 1) % len(watch.probes)
            if watch.alike >= misses:
                yield from _changed(watch)
            return
        watch.lost = True
    watch.present = watch.lost = False
    watch.corrupt = not watch.garbled  # either is a change now
    yield from _changed(watch)


def _changed(watch: _Watch) -> Iterator[HuntEvent]:
    """Tell that replies have become garbled, or have ceased, where that is new."""
    if watch.corrupt == watch.garbled:
        return
    watch.corrupt = watch.garbled
    now = Seen.GARBLED if watch.garbled else Seen.SILENCE
    yield UnitChanged(watch.request.address, now, watch.first_miss, watch.last_seen)


def _late(watches: dict[int, _Watch], reply: Reply) -> tuple[_Watch, Reply] | None:
    """Whose sound reply to an earlier request came instead of one to the last, which kind is then
    kept to."""
    for watch in watches.values():
        if watch.request.address not in reply.exchange.received:
            continue
        for kind, request in enumerate(watch.probes):
            earlier = judge(request, reply.exchange)
            if earlier.present:
                watch.kind = kind
                return watch, earlier
    if reply.verdict is Verdict.FOREIGN and reply.address in watches:
        return watches[reply.address], reply
    return None


def _seen(watch: _Watch, reply: Reply, at: float) -> Iterator[HuntEvent]:
    watch.last_seen = at
    watch.garbled = watch.corrupt = False
    watch.alike = 0
    if not watch.present:
        watch.present = True
        yield UnitChanged(reply.frame[0], Seen.REPLIES, at, at, reply.words)


def _round(number: int, started: float, ended: float, watches: dict[int, _Watch]) -> HuntRound:
    def those(flag: str) -> tuple[int, ...]:
        return tuple(address for address, watch in watches.items() if getattr(watch, flag))

    return HuntRound(
        number, ended, ended - started, those("present"), those("lost"), those("garbled")
    )

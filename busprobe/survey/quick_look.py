"""The quick look at line settings: is anything heard there at all?

The shortest requests there are (function 17, 4 bytes; V1.1b3 section 6.13) go to all addresses
with only the silence between them that frames need (V1.02 section 2.5.1.1).  No reply is waited
for: it takes longer than such a request, so that some of it is heard in between.  Then nothing is
sent for a moment, and the addresses asked just before are asked again.

It is a hint where to search first, and proves no absence: a unit may be silent on function 17.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.line.timing import exchange_time
from busprobe.modbus import framing
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Request, report_server_id
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.survey.interference import answer, can_answer, stray_bytes
from busprobe.survey.late_replies import OpenRequests
from busprobe.survey.probes import Listening, LookingQuickly, WireStep
from busprobe.survey.waits import PATIENCE

_LISTEN = 0.1
"""Seconds listened once something was heard, and behind the last request: nearly all units begin
their reply within it (common practice: 5 to 30 ms, and what an adapter adds)."""
_LATER = 0.02
"""Seconds by which a unit may reply later the next time."""
_MOST_SUSPECTS = 40
_SHORT = 2.5
"""Seconds up to which quick looks come in order of likelihood; longer ones come last."""


def _gap(settings: LineSettings) -> float:
    """Seconds of silence behind a request: what a unit needs whose characters have one bit more."""
    return settings.t3_5 + settings.character_time / 2


def _slot(settings: LineSettings) -> float:
    return exchange_time(settings, framing.SHORTEST, 0, _gap(settings))


def seconds_at(settings: LineSettings, addresses: int) -> float:
    """How long the quick look at so many addresses takes where nothing is heard."""
    return _LISTEN + addresses * _slot(settings)


def in_turn(settings: Iterable[LineSettings], addresses: int) -> tuple[LineSettings, ...]:
    """At which of the line settings to look quickly, in that order.

    A unit that is set to two stop bits is heard with one, too (most receivers; common practice).
    """
    heard: dict[tuple[int, str], LineSettings] = {}
    for each in settings:
        heard.setdefault((each.baud, each.parity), each)
    return tuple(sorted(heard.values(), key=lambda each: max(_SHORT, seconds_at(each, addresses))))


class Suspect(NamedTuple):
    """A request to send again."""

    request: Request
    wait: float
    """Seconds that a reply is to be waited for."""


@dataclass(frozen=True)
class Hit:
    """What was heard in a quick look, and what it may answer."""

    answered: tuple[Suspect, ...]
    """Requests to which whole replies were heard."""
    suspects: tuple[Suspect, ...]
    """Requests one of which bytes may answer that make no frame, the likeliest first."""
    foreign: tuple[Frame, ...]
    """Frames that answer none of them."""
    only_pulses: bool
    """Whether nothing was heard but bytes that a pulse makes, or the end of a reply."""


class QuickLook:
    """The quick look at the line's present settings."""

    def __init__(
        self,
        line: Line,
        addresses: Iterable[int],
        open_requests: OpenRequests,
        *,
        pulses_count: bool,
    ) -> None:
        """Ask `addresses` in this order; whoever does not reply is booked in `open_requests`.

        With `pulses_count` the bytes that a pulse makes may be what is left of a reply, too.
        """
        self._line = line
        self.pulses_count = pulses_count
        self._left = deque(addresses)
        self._open_requests = open_requests
        self._sent: deque[tuple[float, Request]] = deque()
        """What was asked in the last moments, with the clock seconds at which it was out."""

    def until_heard(self, unwanted: Callable[[], object]) -> Generator[WireStep, None, Hit | None]:
        """Ask on until something is heard; None where nothing was, to the end or until `unwanted`
        says so.  Raises `PortError` if the port fails."""
        settings = self._line.settings
        while self._left and not unwanted():
            request = report_server_id(self._left.popleft())
            yield LookingQuickly(settings, request.address)
            reply = judge(request, self._line.exchange(request, Waits(reply=_gap(settings))))
            self._open_requests.book(reply)
            self._sent.appendleft((reply.exchange.sent, request))
            while self._sent[-1][0] < reply.exchange.ended - PATIENCE:
                self._sent.pop()
            heard = reply.exchange.leftover + answer(reply)
            if self._counts(heard):
                began = reply.exchange.sent + (reply.exchange.latency or 0.0)
                return (yield from self._hit(heard, began))
        yield Listening(settings, _LISTEN)
        began = self._line.clock.now()
        heard = self._line.listen(_LISTEN).data
        return (yield from self._hit(heard, began)) if self._counts(heard) else None

    def _counts(self, heard: bytes) -> bool:
        return bool(heard) if self.pulses_count else stray_bytes(heard) > 0

    def _hit(self, heard: bytes, at: float) -> Generator[WireStep, None, Hit]:
        """Listen for the rest of what began at clock time `at`, and say whose it may be."""
        yield Listening(self._line.settings, _LISTEN)
        heard += self._line.listen(_LISTEN).data
        now = self._line.clock.now()
        asked = {request.address: (sent, request) for sent, request in self._sent}
        answered: list[Suspect] = []
        foreign: list[Frame] = []
        frames = valid_frames(heard)
        for frame in frames:
            sent, request = asked.get(frame.address, (now, None))
            if request is not None and can_answer(frame, request):
                answered.append(Suspect(request, now - sent))
            else:
                foreign.append(frame)
        suspects: Iterable[Suspect] = ()
        only_pulses = not stray_bytes(heard)
        if only_pulses or stray_bytes(heard) > sum(len(frame.data) for frame in frames):
            recent = ((at - sent, each) for sent, each in self._sent if 0 <= at - sent < _LISTEN)
            suspects = (Suspect(each, seconds + _LATER) for seconds, each in recent)
        some = tuple(islice(suspects, _MOST_SUSPECTS))
        return Hit(tuple(answered), some, tuple(foreign), only_pulses)

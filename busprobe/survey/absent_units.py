"""A device that answers for absent units: found by requests to addresses that no unit has, and
told from units that are there."""

from __future__ import annotations

from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

from busprobe.line.exchange import Waits
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, Verdict
from busprobe.modbus.requests import Request
from busprobe.survey import words
from busprobe.survey.close_look import Examination
from busprobe.survey.events import Event, Found
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.probes import Probe, ladder
from busprobe.survey.state import SurveyState
from busprobe.survey.waits import PATIENCE

_SELDOM = (231, 246, 173, 219)
"""Addresses hardly ever given to a unit."""
_RESERVED = (250, 253)
"""Addresses no unit may have (V1.02 section 2.2), an even and an odd one; service addresses of
known kinds (248, 254, 255) are left out."""


Ask = Callable[[Request, Waits], Generator[Event, None, Reply]]
"""One exchange with its event; raises `PortError` if the port fails."""

StockReplies = Mapping[tuple[bool, bytes], bytes]
"""What is said at addresses that no unit may have: from whether the address is odd, and the request
without address and CRC, to the reply without them."""


@dataclass(frozen=True)
class AnswersEverywhere:
    """One device answers at addresses that no unit has."""

    words: str
    stock_replies: StockReplies | None
    """Where registers are refused everywhere, a gateway or server answers for absent units, and
    present ones can be told by saying anything else.  None where a unit gives data everywhere,
    so that none can."""

    latency: float
    """Seconds of its slowest reply so far."""

    def explains(self, request: Request, frame: bytes) -> bool:
        """Whether `frame` is what would be said to `request` for an absent unit."""
        return self.stock_replies is not None and self.stock_replies.get(_key(request)) in (
            None,
            frame[1:-2],
        )


def everywhere(
    ask: Ask, probe: Probe, waits: Waits, known: Collection[int]
) -> Generator[Event, None, AnswersEverywhere | None]:
    """Ask addresses that should be empty, and addresses no unit may have; None if nothing answers
    there.

    `known` are addresses where a unit was found.  Raises `PortError` if the port fails.
    """

    def answered(requests: Iterable[Request]) -> Generator[Event, None, list[Reply]]:
        replies = []
        for request in requests:
            replies.append((yield from ask(request, waits)))
        return [r for r in replies if r.present or r.verdict is Verdict.FOREIGN]

    empty = [address for address in _SELDOM if address not in known][:3]
    seldom = yield from answered(probe.request(address) for address in empty)
    if len(seldom) < len(empty):
        return None
    reserved = yield from answered(probe.request(address) for address in _RESERVED)
    if len(reserved) < len(_RESERVED):
        return None
    replies = [*seldom, *reserved]
    asked = [r.request.address for r in replies]
    if not any(r.verdict is Verdict.FOREIGN for r in replies):
        by_all = yield from answered(
            request for address in _RESERVED for request in ladder(address)
        )
        said = [r for r in by_all if r.present]
        if not any(r.registers for r in said):
            return AnswersEverywhere(
                words.refuses_everywhere(asked),
                {_key(r.request): r.frame[1:-2] for r in said},
                _slowest([*replies, *by_all]),
            )
    answered_as = {r.frame[0] for r in replies if r.verdict is Verdict.FOREIGN}
    return AnswersEverywhere(words.answers_everywhere(asked, answered_as), None, _slowest(replies))


def _key(request: Request) -> tuple[bool, bytes]:
    return request.address % 2 == 1, request.frame[1:-2]


def _slowest(replies: Iterable[Reply]) -> float:
    return max((r.latency for r in replies if r.latency is not None), default=0.0)


class AbsentUnits:
    """At each line setting: whether one unit answers every address, or a gateway answers for
    absent ones."""

    def __init__(self, ask: Ask, state: SurveyState) -> None:
        self._ask = ask
        self._state = state
        self._controlled: set[LineSettings] = set()
        self._everywhere: dict[LineSettings, AnswersEverywhere] = {}
        self._answered_for: dict[LineSettings, Finding] = {}
        """Where a gateway answers for absent units, the first address it answered for."""

    def control(self, seen: Examination) -> Generator[Event, None, AnswersEverywhere | None]:
        """At the first reply at a setting: the device that answers everywhere there.  Raises
        `PortError` if the port fails."""
        answered = next((r for r in seen.replies if r.present), None)
        if seen.settings in self._controlled:
            return None
        self._controlled.add(seen.settings)
        if answered is None or seen.latency is None:
            return None
        known = {at.address for at in self._state.findings if at.settings == seen.settings}
        waits = Waits(reply=min(PATIENCE, max(0.1, 3 * seen.latency.maximum)))
        who = yield from everywhere(
            self._ask, Probe.of(answered.request), waits, {*known, seen.address}
        )
        if who is not None:
            self._everywhere[seen.settings] = who
        return who

    @property
    def places(self) -> AbstractSet[LineSettings]:
        """Line settings at which one device answers for all addresses."""
        return self._everywhere.keys()

    def is_unit(self, reply: Reply) -> bool:
        """Whether a reply shows that a unit is there, rather than that a gateway answers for
        absent ones."""
        return reply.present and not self.speaks(
            reply.exchange.settings, reply.request, reply.frame
        )

    def speaks(self, settings: LineSettings, request: Request, frame: bytes) -> bool:
        """Whether `frame` is what a gateway says to `request` for an absent unit."""
        who = self._everywhere.get(settings)
        return who is not None and who.explains(request, frame)

    def finding(self, seen: Examination) -> Finding | None:
        """What is to be booked of `seen`; None where a gateway only answered for an absent unit."""
        finding = seen.finding()
        who = self._everywhere.get(seen.settings)
        if who is None:
            return finding
        unsure = replace(finding, kind=Kind.UNSURE, notes=(who.words, *finding.notes))
        if who.stock_replies is None:
            return unsure
        if all(who.explains(r.request, r.frame) for r in seen.replies if r.present):
            self._answered_for.setdefault(seen.settings, unsure)
            return None
        return finding

    def conclude(self) -> Iterator[Event]:
        """Where a gateway answers for absent units and no unit said anything else, the gateway
        is all there is."""
        for settings, unsure in self._answered_for.items():
            if not any(at.settings == settings for at in self._state.findings):
                self._state.findings[unsure.place] = unsure
                yield Found(unsure)

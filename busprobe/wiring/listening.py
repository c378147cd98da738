"""Listening to the pair and asking a little, to say what is wrong with it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from threading import Event as Cancel
from typing import Any

from pydantic import TypeAdapter

from busprobe.line.echo import Echo
from busprobe.line.exchange import Heard, Waits
from busprobe.line.line import Line
from busprobe.line.line_errors import LineErrors
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Request
from busprobe.wiring.causes import Observation, RecordedObservation
from busprobe.wiring.evidence import LineEvidence
from busprobe.wiring.symptoms import diagnose
from busprobe.wiring.wording import counted, units

WAITS = Waits(reply=0.5)
"""Long enough for most slow units (common practice), short enough to ask a few silent ones."""

_SLICE = 0.5
"""Seconds after which it is looked whether listening is to end."""

FEW = 8
"""Units that are asked where many are known: the ends of the cable and some between."""


@dataclass(frozen=True)
class ListeningResult:
    """What a pair was heard to carry, and what it fits."""

    evidence: LineEvidence
    observations: tuple[Observation, ...]
    """The gravest first; empty if nothing is odd."""
    left_unasked: tuple[int, ...] = ()
    """Addresses that were to be asked and were not, since another master was heard."""

    @property
    def other_master(self) -> bool:
        """Whether frames were heard that nobody here caused."""
        return bool(self.evidence.frames)

    @property
    def noise_bytes(self) -> int:
        """Bytes heard with nobody asked that belong to no frame."""
        heard = self.evidence.idle
        return (
            len(heard.data) - sum(len(frame.data) for frame in self.evidence.frames) if heard else 0
        )

    @property
    def echo(self) -> bool | None:
        """Whether the adapter gives back what it sends; None if nothing was asked."""
        replies = self.evidence.replies
        return any(reply.exchange.echo is Echo.FULL for reply in replies) if replies else None

    @property
    def words(self) -> str:
        """What was heard with nobody asked, in one sentence."""
        evidence = self.evidence
        if evidence.idle is None or not (evidence.idle.data or evidence.idle.errors):
            seconds = evidence.idle.seconds if evidence.idle else 0.0
            return f"Quiet for {seconds:.1f} s at {evidence.settings}."
        heard = (
            f"{counted(len(evidence.idle.data), 'byte')} in {evidence.idle.seconds:.1f} s at"
            f" {evidence.settings}"
        )
        parts = [
            heard,
            counted(len(evidence.frames), "valid frame") if evidence.frames else "no valid frame",
        ]
        if evidence.frames:
            parts.append(f"from or for {units({frame.address for frame in evidence.frames})}")
        if evidence.idle.bad:
            parts.append(f"{counted(len(evidence.idle.bad), 'byte')} flagged by the receiver")
        if evidence.idle.errors:
            parts.append(f"the system counted {evidence.idle.errors.words}")
        return ", ".join(parts) + "."

    @property
    def recorded(self) -> RecordedListening:
        """As kept in the job."""
        evidence = self.evidence
        heard = evidence.idle
        return RecordedListening(
            settings=evidence.settings,
            seconds=round(heard.seconds, 3) if heard else 0.0,
            bytes=len(heard.data) if heard else 0,
            flagged_bytes=len(heard.bad) if heard else 0,
            line_errors=heard.errors if heard else None,
            frames=len(evidence.frames),
            other_master=self.other_master,
            noise_bytes=self.noise_bytes,
            echo=self.echo,
            asked=tuple(_recorded(reply) for reply in evidence.replies),
            late=tuple(sorted({reply.request.address for reply in evidence.late})),
            left_unasked=self.left_unasked,
            words=self.words,
            observations=tuple(each.recorded for each in self.observations),
        )

    def document(self) -> dict[str, object]:
        """As stored in the job and printed by `--json`."""
        document: dict[str, object] = _adapter().dump_python(self.recorded, mode="json")
        return document


@dataclass(frozen=True)
class RecordedRequest:
    """One request and what became of it, as kept in the job."""

    address: int
    request: str
    """In words, as the reply."""
    reply: str
    present: bool
    """Whether the unit showed itself."""
    reply_ms: float | None
    """From the end of the request to the start of the reply; None where none came."""
    silence_due_ms: float
    """3.5 characters."""
    flagged_bytes: int
    line_errors: LineErrors | None


@dataclass(frozen=True)
class RecordedListening:
    """What a bus was heard to carry, as kept in the job and printed by `--json`."""

    settings: LineSettings
    seconds: float
    bytes: int
    flagged_bytes: int
    line_errors: LineErrors | None
    """None where the system does not tell."""
    frames: int
    other_master: bool
    noise_bytes: int
    echo: bool | None
    """None if nothing was asked."""
    words: str
    """What was heard with nothing asked, in one sentence."""
    asked: tuple[RecordedRequest, ...]
    late: tuple[int, ...] = ()
    """Addresses of units whose reply came after the wait for it."""
    left_unasked: tuple[int, ...] = ()
    """Addresses that were to be asked and were not, since another master was heard."""
    observations: tuple[RecordedObservation, ...] = ()


def read_listening(document: Mapping[str, Any]) -> RecordedListening | None:
    """What the steps heard that listen and ask; None for a document of one that only listens."""
    return _adapter().validate_python(document) if "asked" in document else None


@cache
def _adapter() -> TypeAdapter[RecordedListening]:
    return TypeAdapter(RecordedListening)


def listen_and_ask(
    line: Line,
    seconds: float,
    asking: Sequence[Sequence[Request]] = (),
    *,
    expected: Collection[int] = (),
    cancel: Cancel | None = None,
) -> ListeningResult:
    """Listen for `seconds` at the line's settings, then ask; raises `PortError` if the port fails.

    Each entry of `asking` is requests to one address in turn until one is answered.  Nothing is
    asked where another master is heard: never talk into another's business.  `expected` as in
    `LineEvidence`.  When `cancel` is set, listening ends early and nothing is asked.
    """
    cancel = cancel or Cancel()
    idle = _listen(line, seconds, cancel)
    evidence = LineEvidence(line.settings, idle, (), expected)
    if cancel.is_set():
        return ListeningResult(evidence, diagnose(evidence))
    if evidence.frames:
        return ListeningResult(
            evidence, diagnose(evidence), tuple(requests[0].address for requests in asking)
        )
    replies = [reply for requests in asking for reply in _ask(line, requests)]
    evidence = LineEvidence(line.settings, idle, replies, expected)
    return ListeningResult(evidence, diagnose(evidence))


def a_few(addresses: Sequence[int]) -> tuple[int, ...]:
    """At most `FEW` of `addresses`, spread evenly, both ends among them."""
    if len(addresses) <= FEW:
        return tuple(addresses)
    return tuple(addresses[round(step * (len(addresses) - 1) / (FEW - 1))] for step in range(FEW))


def _listen(line: Line, seconds: float, cancel: Cancel) -> Heard:
    """What the pair carries in `seconds`, or until `cancel` is set."""
    line.listen(0.0)  # what has waited since nobody read is not of these seconds
    start = line.clock.now()
    parts: list[Heard] = []
    while not cancel.is_set() and (left := start + seconds - line.clock.now()) > 0:
        parts.append(line.listen(min(left, _SLICE)))
    counts = [part.errors for part in parts if part.errors is not None]
    return Heard(
        line.clock.now() - start,
        tuple(chunk for part in parts for chunk in part.chunks),
        sum(counts, LineErrors()) if counts else None,
    )


def _ask(line: Line, requests: Sequence[Request]) -> list[Reply]:
    replies: list[Reply] = []
    for request in requests:
        replies.append(judge(request, line.exchange(request, WAITS)))
        if replies[-1].present:
            break
    return replies


def _recorded(reply: Reply) -> RecordedRequest:
    exchange = reply.exchange
    return RecordedRequest(
        address=reply.request.address,
        request=reply.request.words,
        reply=reply.words,
        present=reply.present,
        reply_ms=None if reply.latency is None else round(1000 * reply.latency, 1),
        silence_due_ms=round(1000 * exchange.settings.t3_5, 1),
        flagged_bytes=exchange.bad_bytes,
        line_errors=exchange.errors,
    )

"""The close look at one address: is a unit there, and is it one or several?

Used by the survey for what it finds, by readdressing as its guard and its proof, and by the hunt.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from math import inf

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, Verdict
from busprobe.modbus.requests import Function, Request
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.survey import probes, words
from busprobe.survey.findings import Finding, Kind, Remark, RemarkKind, ReplyLatency
from busprobe.survey.interference import (
    foreign_frames,
    has_stray_bytes,
    holds_request,
    is_damaged,
    is_silence,
)
from busprobe.survey.probes import Ask, Listening, Probe, WireStep, to_the_end
from busprobe.survey.verdict import analyse, identities
from busprobe.text import hex_bytes

CLOSE_LOOK = Waits(reply=1.2, after=0.12)
"""Long enough for all but the slowest units met in practice (200 ms to above 1 s), and long enough
after a reply for a second unit of another make to show itself; common practice."""

_QUIET_LISTEN = 0.3
"""Seconds of listening that tell noise on the bus from two units at one address."""
_BRIEFLY = 0.03
"""Seconds listened after a reply while the kinds of probes are gone through: a second reply shows
in the next one."""
_DECIDING_ROUNDS = 5
"""Rounds of the telling requests once something is odd."""
_WRONG = 2
"""How many of the requests that went wrong are among them."""
_DECIDING_PASSES = 2
"""How often these rounds are gone through as long as it stays unclear who is there."""
_QUICK = 0.1
"""Seconds within which a quick unit answers; common practice: 5 to 30 ms, and what an adapter adds.
"""
_FOR_THE_QUICK = 0.25
"""Seconds for which its replies are waited for; and those to each further kind of probe, since a
later one is heard while the next is out.  After the last all of the wait is kept."""
_ENOUGH = 3
"""Valid replies that make a unit believable on a noisy bus."""
_MOST_TRIES = 40
"""Exchanges after which an address is given up on however noisy the bus is."""
_MOST_EVIDENCE = 8


@dataclass(frozen=True)
class Examination:
    """What a close look at one address showed."""

    address: int
    settings: LineSettings
    kind: Kind
    replies: tuple[Reply, ...]
    """Every exchange, in order."""
    remarks: tuple[Remark, ...]
    """What is worth knowing."""
    foreign: tuple[Frame, ...]
    """Valid frames heard meanwhile that answer none of our requests: late replies of others, or
    another master's exchanges."""

    @property
    def notes(self) -> tuple[str, ...]:
        """The remarks in plain words."""
        return tuple(map(words.remark, self.remarks))

    @property
    def latency(self) -> ReplyLatency | None:
        """How long the unit took to reply; None if it never did."""
        return ReplyLatency.of(self.replies)

    @property
    def clean(self) -> bool:
        """Whether this is one unit all of whose replies are valid, and no other device was
        heard."""
        fine = (Verdict.OK, Verdict.OK_AFTER_STRAY_BYTES, Verdict.EXCEPTION)
        valid = all(r.verdict in fine or is_silence(r) for r in self.replies)
        return self.kind is Kind.UNIT and valid and not self.foreign

    @property
    def bytes_are_all_proof(self) -> bool:
        """Whether a clash rests on bytes alone that make no frame, which another device at other
        line settings can send, too."""
        return self.kind is Kind.CLASH and analyse(self.replies, noisy=True).kind is not Kind.CLASH

    @property
    def seconds_between_such_bytes(self) -> float:
        """How often they came, on average."""
        odd = sum(has_stray_bytes(r) or is_damaged(r) for r in self.replies)
        return (self.replies[-1].exchange.ended - self.replies[0].exchange.started) / max(1, odd)

    def doubted(self) -> Examination:
        """The same where corrupted replies prove nothing, since another device sends at other line
        settings: what they would prove is unsure."""
        if not self.bytes_are_all_proof:
            return self
        _, *others = self.remarks  # the first says what proves the clash
        remarks = (Remark(RemarkKind.OTHERS_SEND), *others)
        return replace(self, kind=Kind.UNSURE, remarks=remarks)

    def finding(self) -> Finding:
        """The same as a finding of the survey; raises `ValueError` if no unit answered."""
        if self.kind is Kind.SILENT:
            raise ValueError("silence is no finding")
        heard = [r for r in self.replies if not is_silence(r)]
        # The oddest first: what contradicts a plain unit is what people will want to see.
        telling = sorted(heard, key=lambda r: r.present)[:_MOST_EVIDENCE]
        latency = self.latency
        evidence = [r for r in heard if r in telling]
        return Finding(
            self.address,
            self.settings,
            self.kind,
            latency_ms=round(1000 * latency.median, 1) if latency else None,
            evidence=tuple(hex_bytes(r.exchange.received) for r in evidence),
            exchanges=tuple(f"{r.request.words} → {r.words}" for r in evidence),
            notes=self.notes,
        )


def examine(
    line: Line,
    address: int,
    *,
    waits: Waits = CLOSE_LOOK,
    repeats: int = 3,
    further: Sequence[Probe] = (),
) -> Examination:
    """Ask `address` at the line's present settings in every way there is and say who answers.

    `waits.reply` is kept for each probe until the unit is known to be faster, so "silent" means
    seven kinds of probes with that wait each, and the `further` ones with a shorter wait.  What the
    unit answers best is asked `repeats` times more, and `waits.after` is listened for a second
    unit; as soon as anything is odd, many more times.  Raises `PortError` if the port fails.
    """
    steps = look_closely(line, address, waits=waits, repeats=repeats, further=further)
    return to_the_end(steps)


def look_closely(
    line: Line,
    address: int,
    *,
    waits: Waits = CLOSE_LOOK,
    repeats: int = 3,
    further: Sequence[Probe] = (),
    noisy: bool = False,
    shared: bool = False,
    first: Reply | None = None,
    ask: Ask = probes.ask,
) -> Generator[WireStep, None, Examination]:
    """`examine` step by step, so that it can be ended before any of its exchanges; `noisy` says
    that bytes were heard before without a request, which the short listening here can miss.
    With `shared` another master is known to ask this address: a reply too many may be said to
    that one.  `first` is a reply that was just received from there: what it answers is not asked
    once more.  `ask` makes the exchanges, where there is more to it than sending a request."""
    look = _CloseLook(line, address, waits, ask)
    if first is not None:
        look.take(first)
    yield from look.ask_all_kinds(further)
    if look.heard:
        best, *others = look.telling()
        yield from look.ask(best, after=waits.after)
        for request in [best] * (repeats - 1) + others:
            yield from look.ask(request)
    if look.odd:
        yield Listening(line.settings, _QUIET_LISTEN)
        heard = line.listen(_QUIET_LISTEN).data
        noisy = noisy or (bool(heard) and not valid_frames(heard))  # a frame may be a slow unit's
        for request in look.deciding_requests():
            yield from look.ask(request, after=max(waits.after, waits.reply))
        settled: tuple[Kind, ...] = (Kind.CLASH,)
        for _ in range(_DECIDING_PASSES):
            if analyse(look.replies, noisy=noisy, shared=shared).kind in settled or any(
                map(holds_request, look.replies)
            ):
                break  # where another master asks, to go on asking disturbs and tells no more
            for request in look.deciding_requests() * _DECIDING_ROUNDS:
                yield from look.ask(request)
            settled = (Kind.CLASH, Kind.UNIT, Kind.SILENT)
        while look.present < _ENOUGH and len(look.replies) < _MOST_TRIES and look.present:
            yield from look.ask(look.telling()[0])
    verdict = analyse(look.replies, noisy=noisy, shared=shared)
    return Examination(
        address,
        line.settings,
        verdict.kind,
        tuple(look.replies),
        verdict.remarks,
        foreign_frames(look.replies),
    )


class _CloseLook:
    """The exchanges with one address so far."""

    def __init__(self, line: Line, address: int, waits: Waits, ask: Ask) -> None:
        self._line = line
        self._ask = ask
        self._address = address
        self._waits = replace(waits, after=min(waits.after, _BRIEFLY))
        self._patient = waits.reply
        self._slowest = 0.0
        """Seconds of the longest latency of its replies so far."""
        self.replies: list[Reply] = []

    def ask(
        self, request: Request, *, after: float | None = None, most: float = inf
    ) -> Iterator[WireStep]:
        """One exchange; the reply is waited for `most` seconds, a second one briefly, or `after`
        seconds."""
        waits = replace(self._waits, reply=min(self._waits.reply, most))
        waits = waits if after is None else replace(waits, after=after)
        self.take((yield from self._ask(self._line, request, waits)))

    def take(self, reply: Reply) -> None:
        """Count `reply` among those of this look."""
        self.replies.append(reply)
        if reply.present and reply.latency is not None:
            self._slowest = max(self._slowest, reply.latency)
            if self._slowest < _QUICK:
                # What it does not answer now it does not know: no need to wait as long as for a
                # stranger.
                self._waits = replace(self._waits, reply=min(self._patient, _FOR_THE_QUICK))
            else:
                # Slow once, slower the next time: what it then says would be taken for the reply to
                # another request.
                self._waits = replace(self._waits, reply=self._patient)

    def ask_all_kinds(self, further: Sequence[Probe]) -> Iterator[WireStep]:
        """One probe of each kind; the first once more if only a later one was answered (units that
        wake up slowly)."""
        taken = {reply.request.frame for reply in self.replies}
        for request in probes.ladder(self._address):
            if request.frame not in taken:
                yield from self.ask(request)
        asked = {reply.request.frame for reply in self.replies}
        more = [r for probe in further if (r := probe.request(self._address)).frame not in asked]
        for request in more:
            last = request is more[-1]
            yield from self.ask(request, most=inf if self.heard or last else _FOR_THE_QUICK)
        if self.heard and is_silence(self.replies[0]):
            yield from self.ask(self.replies[0].request)

    @property
    def heard(self) -> bool:
        return any(not is_silence(r) or r.exchange.leftover for r in self.replies)

    @property
    def present(self) -> int:
        return sum(r.present for r in self.replies)

    @property
    def odd(self) -> bool:
        """Whether there is anything that one unit on a faultless bus does not do."""
        if not self.heard:
            return False
        first = analyse(self.replies, noisy=False)
        # A reply that does not fit its request may be another unit's late one to an earlier one.
        unsound = any(
            has_stray_bytes(r)
            or r.verdict is Verdict.NOT_CONFORMING
            or (not r.present and not is_silence(r))
            for r in self.replies
        )
        said = identities(self.replies)
        contradicts = len(said) > len({what for what, *_ in said})
        return unsound or contradicts or first.kind is not Kind.UNIT or self._faltered()

    def _faltered(self) -> bool:
        """Whether a request was answered once and not another time."""
        answered = {r.request.frame for r in self.replies if r.present}
        return any(is_silence(r) and r.request.frame in answered for r in self.replies)

    def telling(self) -> tuple[Request, ...]:
        """What is most worth asking again: the read with most data, then what the unit says of
        itself."""
        valid = [r for r in self.replies if r.valid]
        reads = sorted((r for r in valid if r.registers), key=lambda r: -len(r.frame))
        said = [r for r in valid if r.request.function in _IDENTITY]
        chosen = [r.request for r in (*reads[:1], *said)]
        if not chosen:
            answered = [r for r in self.replies if not is_silence(r)] or self.replies
            chosen = [min(answered, key=lambda r: not r.present).request]
        return tuple(dict.fromkeys(chosen))

    def deciding_requests(self) -> tuple[Request, ...]:
        """What two units at one address betray themselves with: short replies, ones that went
        wrong, and ones that they must agree on."""
        first = probes.ladder(self._address)[:2]
        wrong = [r.request for r in self.replies if is_damaged(r)][:_WRONG]
        return tuple(
            dict.fromkeys((*first, *wrong, *self.telling(), probes.refused_by_all(self._address)))
        )


_IDENTITY: Sequence[Function] = (Function.REPORT_SERVER_ID, Function.READ_DEVICE_IDENTIFICATION)

"""The endurance run: poll every unit again and again, retry nothing, count everything.

Requests go round robin in the order given, units of the same line settings together.  After a poll
that its unit did not answer the run listens on for a while: a late reply is then credited to the
unit that owes it and not taken for the reply to the next request, which RTU cannot tell (a reply
says neither which request nor which register it is for).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import comb, inf
from threading import Event as StopFlag

from busprobe.errors import PortError, UsageError
from busprobe.job.records import PollResult
from busprobe.line.exchange import Ending, Exchange, Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.timing import silence_before
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import Function, Request, read
from busprobe.modbus.traffic import Frame, valid_frames
from busprobe.profiles.read_requests import Block, blocks
from busprobe.profiles.schema import Profile
from busprobe.prove.polling_table import PollingRow, PollingTable
from busprobe.prove.proof import RESULT_OF, Proof, UnitTally, answered

_ANY_BLOCK = Block(Function.READ_HOLDING_REGISTERS, 0, 1)
"""What is read where no profile says better: any sound reply shows that the line works, an
exception too."""


@dataclass(frozen=True)
class PollTarget:
    """A unit to be polled and what it is asked in each round."""

    place: Place
    requests: tuple[Request, ...]
    gap_s: float = 0.0
    """Silence in seconds that the unit needs before a request, beyond the 3.5 characters of the
    standard."""


def target(place: Place, profile: Profile | None = None) -> PollTarget:
    """The unit at `place`, asked for the points of its profile; holding register 0 where there is
    none."""
    asked = (blocks(profile) if profile else ()) or (_ANY_BLOCK,)
    requests = tuple(read(place.address, Function(b.function), b.register, b.count) for b in asked)
    return PollTarget(place, requests, profile.limits.gap_s if profile else 0.0)


def table_targets(table: PollingTable) -> tuple[PollTarget, ...]:
    """The units of a polling table, asked its requests: the length of such a round is the cycle
    time measured."""
    rows: dict[Place, list[PollingRow]] = {}
    for row in table.rows:
        rows.setdefault(row.place, []).append(row)
    return tuple(
        PollTarget(place, tuple(row.request for row in of_unit), max(row.gap_s for row in of_unit))
        for place, of_unit in rows.items()
    )


@dataclass(frozen=True)
class RunPlan:
    """How long and how fast to poll; times in seconds."""

    rounds: int | None = None
    """Stop after so many whole rounds; those of a run that is gone on with count."""
    seconds: float | None = None
    """Stop when this time is up, but not before each unit was asked all its requests once."""
    pause: float = 0.0
    """Silence before each request; 0 is full wire speed: the 3.5 characters that the standard
    demands."""
    reply_wait: float = 1.0
    """From the end of a request to its reply; V1.02 section 2.4.1: 1 s to several seconds at 9600
    baud are typical."""
    late_wait: float = 0.5
    """How long to listen on after a poll that its unit did not answer; our choice."""
    report_every: float = 10.0
    """How often everything counted so far is given out within a round that takes longer; our
    choice."""


@dataclass(frozen=True)
class Polled:
    """One poll is over."""

    place: Place
    result: PollResult
    reply: Reply
    round: int
    """Number of the round, from 1."""
    proof: Proof
    """Everything counted so far, this poll too: where units are silent a round takes long."""


@dataclass(frozen=True)
class RoundDone:
    """Every unit was asked all its requests once more."""

    proof: Proof
    """Everything counted so far."""
    seconds: float
    """How long this round took."""


@dataclass(frozen=True)
class RunProgress:
    """Time to keep what was counted, in the middle of a long round."""

    proof: Proof


@dataclass(frozen=True)
class RunFinished:
    """The run is over: as planned, stopped, or because the port failed."""

    proof: Proof
    """Everything counted; a run can go on from here."""
    failure: PortError | None = None
    """What happened to the port, if that ended the run."""


RunEvent = Polled | RoundDone | RunProgress | RunFinished


def endure(
    line: Line,
    targets: Sequence[PollTarget],
    plan: RunPlan,
    *,
    stop: StopFlag | None = None,
    before: Proof | None = None,
) -> Iterator[RunEvent]:
    """Poll `targets` as `plan` says until it is fulfilled or `stop` is set; the last event is
    `RunFinished`.

    With `before`, a run of the same units goes on: its counts are kept and its rounds and time
    count towards the plan.  A port that fails ends the run with everything counted so far; nothing
    is raised for it. Raises `UsageError` if there is nothing to poll, a unit is given twice, or
    `before` is of other units.
    """
    ordered = _by_settings(targets)
    run = _Run(line, plan, before or _nothing(ordered, plan))
    if {unit.place for unit in run.proof.units} != {t.place for t in ordered}:
        raise UsageError(
            "The endurance run to go on with polled other units.",
            todo="Start a new run, or name the same units at the same line settings.",
        )
    return run.events(ordered, stop or StopFlag())


@dataclass(frozen=True)
class _Owed:
    """A reply that a unit has not given."""

    request: Request
    sent: float
    silent: bool
    """Whether the poll counts as silent; otherwise another unit's frame came in its place."""
    until: float = inf
    """Clock time after which a frame of the unit is no longer taken for it: there is one once the
    unit has answered a later request."""


@dataclass
class _Round:
    """What happened in the present round."""

    started: float
    failed: set[Place] = field(default_factory=set)


class _Run:
    """The state of a run: one proof that grows, and the replies still owed."""

    def __init__(self, line: Line, plan: RunPlan, proof: Proof) -> None:
        self.line = line
        self.plan = plan
        self.proof = replace(
            proof,
            reply_wait=plan.reply_wait,
            late_wait=plan.late_wait,
            pause=plan.pause,
            asked_rounds=plan.rounds,
            asked_seconds=plan.seconds,
            complete=False,
            interruption="",
        )
        self._tallies = {unit.place: unit for unit in proof.units}
        self._owed: dict[Place, _Owed] = {}
        self._strays = proof.strays
        self._origin = line.clock.now() - proof.seconds
        self._reported = line.clock.now()
        self._last: Exchange | None = None

    def events(self, targets: Sequence[PollTarget], stop: StopFlag) -> Iterator[RunEvent]:
        """The events of the whole run."""
        try:
            while not self._fulfilled():
                this = _Round(self.line.clock.now())
                for polled in targets:
                    for request in polled.requests:
                        if stop.is_set():
                            yield RunFinished(
                                self._snapshot(interruption="it was stopped by hand.")
                            )
                            return
                        if self._fulfilled():
                            yield RunFinished(self._snapshot(complete=True))
                            return
                        yield self._poll(polled, request, this)
                        if self.line.clock.now() - self._reported >= self.plan.report_every:
                            yield from self._to_be_kept(RunProgress(self._snapshot()), this)
                yield from self._to_be_kept(self._round_done(this), this)
        except PortError as error:
            yield RunFinished(self._snapshot(interruption=error.what), error)
        else:
            yield RunFinished(self._snapshot(complete=True))

    def _to_be_kept(self, event: RunEvent, this: _Round) -> Iterator[RunEvent]:
        """Give out everything counted so far; a disk may take its time to keep it, and that is no
        time of the bus."""
        given = self.line.clock.now()
        yield event
        self._reported = self.line.clock.now()
        self._origin += self._reported - given
        this.started += self._reported - given

    def _fulfilled(self) -> bool:
        rounds, seconds = self.plan.rounds, self.plan.seconds
        enough_rounds = rounds is not None and self.proof.rounds >= rounds
        enough_time = seconds is not None and self._elapsed() >= seconds
        return enough_rounds or (enough_time and self.proof.rounds > 0)

    def _elapsed(self) -> float:
        return self.line.clock.now() - self._origin

    def _snapshot(self, *, complete: bool = False, interruption: str = "") -> Proof:
        self.proof = replace(
            self.proof,
            units=tuple(self._tallies.values()),
            strays=self._strays,
            seconds=self._elapsed(),
            complete=complete,
            interruption=interruption,
        )
        return self.proof

    def _round_done(self, this: _Round) -> RoundDone:
        took = self.line.clock.now() - this.started
        for key in this.failed:
            self._tallies[key] = replace(
                self._tallies[key], failed_rounds=self._tallies[key].failed_rounds + 1
            )
        self.proof = replace(
            self.proof,
            rounds=self.proof.rounds + 1,
            shared_rounds=self.proof.shared_rounds + (len(this.failed) > 1),
            shared_pairs=self.proof.shared_pairs + comb(len(this.failed), 2),
            round_times=self.proof.round_times.adding(took),
        )
        return RoundDone(self._snapshot(), took)

    def _poll(self, asked: PollTarget, request: Request, this: _Round) -> Polled:
        key = asked.place
        self.line.apply(key.settings)
        quiet = max(self.plan.pause, silence_before(key.settings, asked.gap_s))
        waits = Waits(reply=self.plan.reply_wait, quiet=quiet)
        exchange = self.line.exchange(request, waits)
        self._note_host_delay(exchange, quiet)
        self._credit(valid_frames(exchange.leftover), exchange.started)
        reply = self._judged(request, exchange)
        self._credit(_frames_of_others(reply), reply.exchange.ended)
        self._tallies[key] = self._tallies[key].after(reply, self._elapsed(), self.plan.reply_wait)
        if reply.verdict in (Verdict.SILENT, Verdict.FOREIGN):
            self._owed[key] = _Owed(request, exchange.sent, reply.verdict is Verdict.SILENT)
            self._listen_on()
        elif key in self._owed:
            until = min(self._owed[key].until, reply.exchange.ended + self.plan.reply_wait)
            self._owed[key] = replace(self._owed[key], until=until)
        if not answered(reply):
            this.failed.add(key)
        late = reply.verdict is Verdict.SILENT and key not in self._owed
        result = PollResult.LATE if late else RESULT_OF[reply.verdict]
        return Polled(key, result, reply, self.proof.rounds + 1, self._snapshot())

    def _note_host_delay(self, exchange: Exchange, quiet: float) -> None:
        """What the computer took between a reply and this request beyond the silence due there;
        after a miss the run listens on, which says nothing of it."""
        last, self._last = self._last, exchange
        if last is None or last.settings != exchange.settings or last.ending is not Ending.LENGTH:
            return
        delay = max(0.0, exchange.started - last.ended - quiet)
        self.proof = replace(self.proof, host_delays=self.proof.host_delays.adding(delay))

    def _judged(self, request: Request, exchange: Exchange) -> Reply:
        """What the asked unit itself replied; whole frames of others are counted as what they are,
        and are no junk."""
        reply = judge(request, exchange)
        while reply.verdict is Verdict.FOREIGN and self._is_owed(
            late := Frame(reply.frame), exchange.ended
        ):
            # Another unit's late reply came first: what is left is the asked unit's, or that is
            # still under way.
            self._credit((late,), exchange.ended)
            exchange = _without(late.data, exchange)
            if not exchange.received:
                heard = self.line.listen(
                    max(0.0, exchange.sent + self.plan.reply_wait - exchange.ended)
                )
                exchange = replace(exchange, chunks=heard.chunks, ended=self.line.clock.now())
            reply = judge(request, exchange)
        ahead = b"".join(frame.data for frame in valid_frames(reply.stray_before))
        if reply.verdict is Verdict.OK_AFTER_STRAY_BYTES and ahead == reply.stray_before:
            return replace(reply, verdict=Verdict.OK)
        return reply

    def _listen_on(self) -> None:
        """Give a reply that is still owed the time to come, so that it does not meet the next
        request."""
        heard = self.line.listen(self.plan.late_wait)
        if heard.chunks:
            self._credit(valid_frames(heard.data), heard.chunks[-1].at)

    def _is_owed(self, frame: Frame, there: float) -> bool:
        """Whether `frame`, there at clock time `there`, can be a reply that its unit has not given
        in time."""
        owed = self._owed.get(Place(frame.address, self.line.settings))
        return owed is not None and owed.request.function == frame.function and there <= owed.until

    def _credit(self, frames: Sequence[Frame], there: float) -> None:
        """Give each of `frames`, all there at clock time `there`, to the unit that owes it; the
        rest are strays."""
        for frame in frames:
            if not self._is_owed(frame, there):
                self._strays += 1
                continue
            key = Place(frame.address, self.line.settings)
            owed = self._owed.pop(key)
            if owed.silent:
                self._tallies[key] = self._tallies[key].with_late(there - owed.sent)


def _without(frame: bytes, exchange: Exchange) -> Exchange:
    """`exchange` less the bytes of `frame`, as if only the rest had come, when it came."""
    start = exchange.received.index(frame)
    end = start + len(frame)
    kept = []
    for chunk in exchange.chunks:
        ahead, behind = chunk.data[: max(0, start)], chunk.data[max(0, end) :]
        if ahead:  # a chunk is stamped when its last byte was there
            at = chunk.at - exchange.settings.wire_time(len(chunk.data) - len(ahead))
            kept.append(replace(chunk, at=at, data=ahead, bad=()))
        if behind:
            kept.append(replace(chunk, data=behind, bad=()))
        start, end = start - len(chunk.data), end - len(chunk.data)
    return replace(exchange, chunks=tuple(kept))


def _frames_of_others(reply: Reply) -> tuple[Frame, ...]:
    """Sound frames in an exchange besides the one that is counted as the reply."""
    if reply.valid or reply.verdict in (Verdict.EXCEPTION, Verdict.NOT_CONFORMING, Verdict.FOREIGN):
        return valid_frames(reply.stray_before) + valid_frames(reply.stray_after)
    return valid_frames(reply.exchange.received)


def _by_settings(targets: Sequence[PollTarget]) -> tuple[PollTarget, ...]:
    """`targets` with those of the same settings together, so that a round switches the line as
    rarely as it can."""
    if not targets:
        raise UsageError("There is no unit to poll.", todo="Find the units first, or name one.")
    seen: set[Place] = set()
    for one in targets:
        if one.place in seen or not one.requests:
            what = "is given twice" if one.place in seen else "is asked nothing"
            raise UsageError(
                f"Unit {both_forms(one.place.address)} at {one.place.settings} {what}.",
                todo="Give each unit once, with the requests it is to be asked.",
            )
        seen.add(one.place)
    order = list(dict.fromkeys(one.place.settings for one in targets))
    return tuple(sorted(targets, key=lambda one: order.index(one.place.settings)))


def _nothing(targets: Sequence[PollTarget], plan: RunPlan) -> Proof:
    return Proof(
        units=tuple(UnitTally(one.place) for one in targets),
        reply_wait=plan.reply_wait,
        late_wait=plan.late_wait,
        pause=plan.pause,
    )

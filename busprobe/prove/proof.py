"""What an endurance run counted: of each unit, and as the proof of a segment.

A poll is counted under exactly one result, so that the results of a unit add up to its polls.  All
records are frozen; each poll makes a new one, so that whoever was handed one keeps it as it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict
from busprobe.prove.statistics import (
    FailurePattern,
    FailuresOverTime,
    Times,
    error_bound,
    find_pattern,
)
from busprobe.text import hex_bytes

EVIDENCE_KEPT = 10
"""Failures of a unit that are kept with their raw bytes; the counts go on."""


RESULT_OF = {
    Verdict.OK: PollResult.OK,
    Verdict.OK_AFTER_STRAY_BYTES: PollResult.OK_AFTER_STRAY_BYTES,
    Verdict.EXCEPTION: PollResult.EXCEPTION,
    Verdict.NOT_CONFORMING: PollResult.MALFORMED,
    Verdict.GARBAGE: PollResult.MALFORMED,
    Verdict.FOREIGN: PollResult.FOREIGN,
    Verdict.CRC_SWAPPED: PollResult.CRC,
    Verdict.CRC_BAD_HEAD_OK: PollResult.CRC,
    Verdict.CRC_BAD: PollResult.CRC,
    Verdict.SILENT: PollResult.SILENT,
}
"""The group of each verdict."""


@dataclass(frozen=True)
class FailedReply:
    """One failed poll with its bytes."""

    seconds: float
    """When, in seconds of the run, to a millisecond."""
    words: str
    """What came back, in words and bytes."""
    request: str
    """The bytes sent, as hex."""


@dataclass(frozen=True)
class UnitTally:
    """What was counted at one unit."""

    place: Place
    """Where it was polled: what tells it from the others of the run."""
    verdicts: Mapping[Verdict, int] = field(default_factory=dict)
    """Polls by verdict, without the late ones."""
    late: int = 0
    """Polls whose reply came after the reply wait."""
    latest_ms: float = 0.0
    """Milliseconds from the end of a request within which the latest of the late replies was there.
    """
    exceptions: Mapping[int, int] = field(default_factory=dict)
    """Exception replies by code."""
    reply_times: Times = field(default_factory=Times)
    """From the end of the request to the first byte of the unit's own reply."""
    failures_over_time: FailuresOverTime = field(default_factory=FailuresOverTime)
    """When polls of this unit failed."""
    failed_rounds: int = 0
    """Whole rounds in which a poll of this unit failed."""
    bytes_sent: int = 0
    bytes_received: int = 0
    longest_reply: int = 0
    """Bytes of the longest reply."""
    evidence: tuple[FailedReply, ...] = ()
    """The first failures, at most `EVIDENCE_KEPT`."""

    @property
    def address(self) -> int:
        """Unit address."""
        return self.place.address

    @property
    def settings(self) -> LineSettings:
        """Line settings at which it was polled."""
        return self.place.settings

    @property
    def polls(self) -> int:
        """All polls, each one request."""
        return sum(self.verdicts.values()) + self.late

    def count(self, result: PollResult) -> int:
        """Polls that ended as `result`."""
        if result is PollResult.LATE:
            return self.late
        return sum(
            number for verdict, number in self.verdicts.items() if RESULT_OF[verdict] is result
        )

    @property
    def failed(self) -> int:
        """Polls without a conforming reply of the unit in time.

        An exception is a reply; only a gateway's word that its target is not there is none.
        """
        answered = (
            self.count(PollResult.OK)
            + self.count(PollResult.OK_AFTER_STRAY_BYTES)
            + self.count(PollResult.EXCEPTION)
        )
        return (
            self.polls - answered + sum(self.exceptions.get(code, 0) for code in GATEWAY_EXCEPTIONS)
        )

    @property
    def bound(self) -> float:
        """The error rate not exceeded with 95 % confidence, as far as failures are independent."""
        return error_bound(self.polls, self.failed)

    def after(self, reply: Reply, seconds: float, reply_wait: float) -> UnitTally:
        """This tally and one more poll, at `seconds` of the run.

        A reply that seems to have come after `reply_wait` seconds was there in time, or nobody
        would have waited for it: the computer was held up (busy, asleep) before it took it in.  It
        counts, but says nothing of times.
        """
        exchange = reply.exchange
        own = reply.valid or reply.verdict in (Verdict.EXCEPTION, Verdict.NOT_CONFORMING)
        latency = reply.latency if own else None
        timed = latency if latency is not None and latency <= reply_wait else None
        code = reply.exception
        failure = FailedReply(round(seconds, 3), reply.words, hex_bytes(exchange.request))
        keep = not answered(reply) and len(self.evidence) < EVIDENCE_KEPT
        return replace(
            self,
            verdicts={**self.verdicts, reply.verdict: self.verdicts.get(reply.verdict, 0) + 1},
            exceptions=(
                self.exceptions
                if code is None
                else {**self.exceptions, code: self.exceptions.get(code, 0) + 1}
            ),
            reply_times=self.reply_times if timed is None else self.reply_times.adding(timed),
            bytes_sent=self.bytes_sent + len(exchange.request),
            bytes_received=self.bytes_received + len(exchange.received),
            longest_reply=max(self.longest_reply, len(reply.frame) if own else 0),
            failures_over_time=(
                self.failures_over_time
                if answered(reply)
                else self.failures_over_time.adding(seconds)
            ),
            evidence=(*self.evidence, failure) if keep else self.evidence,
        )

    def with_late(self, within: float) -> UnitTally:
        """This tally with one silent poll found to be late: its reply was there `within` seconds of
        the request."""
        silent = self.verdicts[Verdict.SILENT] - 1
        return replace(
            self,
            verdicts={**self.verdicts, Verdict.SILENT: silent},
            late=self.late + 1,
            latest_ms=max(self.latest_ms, 1000 * within),
        )


def answered(reply: Reply) -> bool:
    """Whether the unit gave a conforming reply in time: what was asked for, or an exception of its
    own."""
    return reply.valid or (reply.verdict is Verdict.EXCEPTION and reply.present)


@dataclass(frozen=True)
class Proof:
    """What an endurance run showed so far."""

    units: tuple[UnitTally, ...]
    reply_wait: float
    """Seconds that were waited for a reply."""
    late_wait: float
    """Seconds that were listened on after a poll that its unit did not answer."""
    pause: float
    """Silence in seconds demanded before each request; 0 is full speed, 3.5 characters are always
    kept."""
    seconds: float = 0.0
    """How long it ran, interruptions left out."""
    rounds: int = 0
    """Whole rounds; in each one every unit was asked all its requests."""
    shared_rounds: int = 0
    """Whole rounds in which two or more units failed."""
    shared_pairs: int = 0
    """Pairs of units that failed in the same whole round, over all of them."""
    round_times: Times = field(default_factory=Times)
    """How long whole rounds took: the cycle time as measured."""
    host_delays: Times = field(default_factory=Times)
    """How long the computer took between a whole reply and the next request, beyond the silence due
    there."""
    strays: int = 0
    """Sound frames that no request of ours accounts for."""
    asked_rounds: int | None = None
    """Rounds it was to run; None where time was to end it."""
    asked_seconds: float | None = None
    """Seconds it was to run; None where rounds were to end it."""
    complete: bool = False
    """Whether it ran as long as was asked for."""
    interruption: str = ""
    """Why it ended early, in words; empty if it did not."""

    @property
    def polls(self) -> int:
        """Polls of all units."""
        return sum(unit.polls for unit in self.units)

    @property
    def failed(self) -> int:
        """Failed polls of all units."""
        return sum(unit.failed for unit in self.units)

    @property
    def clean(self) -> bool:
        """Whether each unit was polled, none failed, and nobody else talked."""
        return all(unit.polls for unit in self.units) and not self.failed and not self.strays

    @property
    def pattern(self) -> FailurePattern[Place]:
        """Where and when the failures came."""
        failed_rounds = {unit.place: unit.failed_rounds for unit in self.units}
        return find_pattern(self.rounds, failed_rounds, self.shared_rounds, self.shared_pairs)

    @property
    def wire_share(self) -> float:
        """Share of the run's time in which bits were on the bus; the rest was waiting for units
        and gaps."""
        if not self.seconds:
            return 0.0
        on_wire = sum(
            unit.settings.wire_time(unit.bytes_sent + unit.bytes_received) for unit in self.units
        )
        return on_wire / self.seconds

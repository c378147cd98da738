"""What an endurance run counted: per unit, and as the proof of a segment.

A poll is counted under exactly one kind, so that the kinds of a unit add up to its polls.  All
records are frozen; each poll makes a new one, so that whoever was handed one keeps it as it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict
from busprobe.prove.statistics import Moments, Times, error_bound, milliseconds
from busprobe.text import hex_bytes

EVIDENCE_KEPT = 10
"""Failures of a unit that are kept with their raw bytes; the counts go on."""

Key = tuple[int, LineSettings]
"""What tells the units of a run apart: unit address and line settings."""


class Kind(StrEnum):
    """How a poll ended, in the groups that point to different causes."""

    OK = "ok"
    OK_AFTER_JUNK = "ok after junk"
    EXCEPTION = "exception"
    SILENT = "silent"
    LATE = "late"
    """Silent at first, then the reply came when the poll was over."""
    CRC = "CRC"
    MALFORMED = "malformed"
    FOREIGN = "foreign"


KIND_OF = {
    Verdict.OK: Kind.OK,
    Verdict.OK_AFTER_JUNK: Kind.OK_AFTER_JUNK,
    Verdict.EXCEPTION: Kind.EXCEPTION,
    Verdict.NOT_CONFORMING: Kind.MALFORMED,
    Verdict.GARBAGE: Kind.MALFORMED,
    Verdict.FOREIGN: Kind.FOREIGN,
    Verdict.CRC_SWAPPED: Kind.CRC,
    Verdict.CRC_BAD_HEAD_OK: Kind.CRC,
    Verdict.CRC_BAD: Kind.CRC,
    Verdict.SILENT: Kind.SILENT,
}
"""The group of each verdict."""


@dataclass(frozen=True)
class Failure:
    """One failed poll with its bytes."""

    seconds: float
    """When, in seconds of the run."""
    words: str
    """What came back, in words and bytes."""
    request: str
    """The bytes sent, as hex."""

    def document(self) -> dict[str, object]:
        """As stored in the proof."""
        return {"seconds": round(self.seconds, 3), "words": self.words, "request": self.request}


@dataclass(frozen=True)
class UnitTally:
    """What was counted at one unit."""

    address: int
    settings: LineSettings
    verdicts: Mapping[Verdict, int] = field(default_factory=dict)
    """Polls by verdict, without the late ones."""
    late: int = 0
    """Polls whose reply came after the reply wait."""
    latest: float = 0.0
    """Seconds from the end of a request within which the latest of the late replies was there."""
    exceptions: Mapping[int, int] = field(default_factory=dict)
    """Exception replies by code."""
    reply_times: Times = field(default_factory=Times)
    """From the end of the request to the first byte of the unit's own reply."""
    failures: Moments = field(default_factory=Moments)
    """When polls of this unit failed."""
    failed_rounds: int = 0
    """Whole rounds in which a poll of this unit failed."""
    bytes_sent: int = 0
    bytes_received: int = 0
    longest_reply: int = 0
    """Bytes of the longest reply."""
    evidence: tuple[Failure, ...] = ()
    """The first failures, at most `EVIDENCE_KEPT`."""

    @property
    def key(self) -> Key:
        """What tells this unit from the others of the run."""
        return self.address, self.settings

    @property
    def polls(self) -> int:
        """All polls, each one request."""
        return sum(self.verdicts.values()) + self.late

    def count(self, kind: Kind) -> int:
        """Polls that ended as `kind`."""
        if kind is Kind.LATE:
            return self.late
        return sum(number for verdict, number in self.verdicts.items() if KIND_OF[verdict] is kind)

    @property
    def failed(self) -> int:
        """Polls without a conforming reply of the unit in time.

        An exception is a reply; only a gateway's word that its target is not there is none.
        """
        answered = self.count(Kind.OK) + self.count(Kind.OK_AFTER_JUNK) + self.count(Kind.EXCEPTION)
        return (
            self.polls - answered + sum(self.exceptions.get(code, 0) for code in GATEWAY_EXCEPTIONS)
        )

    @property
    def bound(self) -> float:
        """The error rate not exceeded with 95 % confidence, as far as failures are independent."""
        return error_bound(self.polls, self.failed)

    @property
    def words(self) -> str:
        """What the polls of this unit prove, in one sentence."""
        if not self.polls:
            return f"Unit {both_forms(self.address)} was not polled."
        return (
            f"Unit {both_forms(self.address)}: {self.failed} of {self.polls} polls failed; "
            f"its error rate is at most {100 * self.bound:.3g} % with 95 % confidence."
        )

    def after(self, reply: Reply, seconds: float, reply_wait: float) -> UnitTally:
        """This tally and one more poll, at `seconds` of the run.

        A reply that seems to have come after `reply_wait` seconds was there in time, or nobody
        would have waited for it: the computer was held up (busy, asleep) before it took it in.  It
        counts, but says nothing of times.
        """
        exchange = reply.exchange
        own = reply.sound or reply.verdict in (Verdict.EXCEPTION, Verdict.NOT_CONFORMING)
        latency = reply.latency if own else None
        timed = latency if latency is not None and latency <= reply_wait else None
        code = reply.exception
        failure = Failure(seconds, reply.words, hex_bytes(exchange.request))
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
            failures=self.failures if answered(reply) else self.failures.adding(seconds),
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
            latest=max(self.latest, within),
        )

    def document(self) -> dict[str, object]:
        """As stored in the proof: counts by kind and by verdict, reply times, what they prove,
        evidence."""
        return {
            "address": self.address,
            "settings": str(self.settings),
            "polls": self.polls,
            "failed": self.failed,
            "kinds": {kind.value: self.count(kind) for kind in Kind},
            "verdicts": {verdict.value: number for verdict, number in self.verdicts.items()},
            "exceptions": {str(code): number for code, number in self.exceptions.items()},
            "late": self.late,
            "latest_ms": milliseconds(self.latest),
            "reply_times": self.reply_times.document(),
            "error_rate_at_most": self.bound,
            "failures_over_time": self.failures.document(),
            "failed_rounds": self.failed_rounds,
            "bytes_sent": self.bytes_sent,
            "bytes_received": self.bytes_received,
            "longest_reply": self.longest_reply,
            "evidence": [failure.document() for failure in self.evidence],
            "words": self.words,
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> UnitTally:
        """Read back what `document` wrote."""
        return cls(
            address=document["address"],
            settings=LineSettings.parse(document["settings"]),
            verdicts={Verdict(word): number for word, number in document["verdicts"].items()},
            late=document["late"],
            latest=document["latest_ms"] / 1000,
            exceptions={int(code): number for code, number in document["exceptions"].items()},
            reply_times=Times.from_document(document["reply_times"]),
            # Runs kept by earlier versions do not say when.
            failures=Moments.from_document(
                document.get("failures_over_time") or Moments().document()
            ),
            failed_rounds=document["failed_rounds"],
            bytes_sent=document["bytes_sent"],
            bytes_received=document["bytes_received"],
            longest_reply=document["longest_reply"],
            evidence=tuple(Failure(**failure) for failure in document["evidence"]),
        )


def answered(reply: Reply) -> bool:
    """Whether the unit gave a conforming reply in time: what was asked for, or an exception of its
    own."""
    return reply.sound or (reply.verdict is Verdict.EXCEPTION and reply.present)

"""Advice for the master from what an endurance run measured: each number with its reason.

Where a number rests on a rule of the trade and not on a measurement, its reason says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busprobe.job.records import PollResult
from busprobe.prove import words
from busprobe.prove.polling_table import PollingTable
from busprobe.prove.proof import Proof, UnitTally

SHORTEST_TIMEOUT_S = 0.2
"""Seconds below which no response timeout is advised, whatever was measured (common practice)."""

TIMEOUT_FACTOR = 2
"""Response timeout over slowest reply; 1.5 to 2 is common practice."""

PAUSES = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0)
"""Pauses to try in turn, in seconds; units that need 10 ms to 1 s between requests are met (common
practice)."""

MOST_RETRIES = 3
"""More retries only hide a fault and slow down every master (common practice: one or two)."""

LOST_AT_MOST = 1e-4
"""Share of readings lost after all retries that is aimed at; our choice."""


@dataclass(frozen=True)
class Advised:
    """One number for the master."""

    name: str
    value: int | float  # published as it is: 1 retry, not 1.0
    unit: str
    reason: str


def advise(proof: Proof, table: PollingTable | None = None) -> tuple[Advised, ...]:
    """What to set at the master; empty if no unit answered.  With `table`, the load it puts on the
    bus as well."""
    answering, for_requests = _answering(proof), request_advice(proof)
    if for_requests is None:
        return ()
    timeout, retries = for_requests
    ceiling = _ceiling(proof, timeout, retries)
    return (timeout, _pause(proof, answering), retries, *ceiling, _load(proof, table))


def request_advice(proof: Proof) -> tuple[Advised, Advised] | None:
    """Response timeout in ms and retries of each request; None if no unit answered."""
    answering = _answering(proof)
    if not answering:
        return None
    return _timeout(answering), _retries(answering, together=proof.pattern.together)


def _answering(proof: Proof) -> list[UnitTally]:
    return [unit for unit in proof.units if unit.reply_times.count or unit.late]


def _timeout(answering: Sequence[UnitTally]) -> Advised:
    slowest = max(answering, key=_slowest)
    transfer = max(unit.settings.wire_time(unit.longest_reply) for unit in answering)
    seconds = max(SHORTEST_TIMEOUT_S, TIMEOUT_FACTOR * _slowest(slowest) + transfer)
    reason = words.timeout_reason(
        slowest.address,
        _slowest(slowest),
        transfer,
        SHORTEST_TIMEOUT_S,
        late=sum(unit.late for unit in answering),
    )
    return Advised("response timeout", _up_to(1000 * seconds, 10), "ms", reason)


def _slowest(unit: UnitTally) -> float:
    return max(unit.reply_times.maximum or 0.0, unit.latest_ms / 1000)


def _pause(proof: Proof, answering: Sequence[UnitTally]) -> Advised:
    standard = max(unit.settings.t3_5 for unit in answering)
    used = max(proof.pause, standard)
    missing, polls = _unanswered(answering), sum(unit.polls for unit in answering)
    longer = next((pause for pause in PAUSES if pause > used), None)
    garbled = any(
        unit.count(PollResult.CRC) or unit.count(PollResult.MALFORMED) for unit in answering
    )
    value = used
    if not missing:
        reason = words.pause_held(polls, standard)
    else:
        if garbled:
            what_then = words.MEND_DISTURBANCE
        elif proof.pattern.together:
            what_then = words.MEND_WHAT_IS_SHARED
        elif longer is None:
            what_then = words.NO_LONGER_PAUSE
        else:
            value, what_then = longer, words.TRY_LONGER_PAUSE
        reason = words.pause_not_held(missing, polls, used, what_then)
    return Advised("pause between frames", _up_to(1000 * value, 1), "ms", reason)


def _unanswered(units: Iterable[UnitTally]) -> int:
    """Polls whose unit gave no reply of its own in time."""
    return sum(
        unit.count(PollResult.SILENT) + unit.count(PollResult.FOREIGN) + unit.late for unit in units
    )


def _retries(answering: Sequence[UnitTally], *, together: bool) -> Advised:
    worst = max(answering, key=lambda unit: unit.failed / unit.polls)
    rate = worst.failed / worst.polls
    if not rate:
        return Advised("retries", 1, "", words.RETRY_WITHOUT_FAILURE)
    needed = (
        math.ceil(math.log(LOST_AT_MOST) / math.log(rate)) - 1 if rate < 1 else MOST_RETRIES + 1
    )
    if needed > MOST_RETRIES:
        reason = words.beyond_retries(worst.address, rate)
    else:
        reason = words.retries_reason(worst.address, rate, LOST_AT_MOST, in_bursts=together)
    return Advised("retries", min(MOST_RETRIES, max(1, needed)), "", reason)


def _ceiling(proof: Proof, timeout: Advised, retries: Advised) -> list[Advised]:
    slow = proof.round_times.percentile(99)
    median = proof.round_times.median
    if slow is None or median is None:
        return []  # no round was finished
    requests = 1 + int(retries.value)
    penalty = requests * timeout.value / 1000
    reason = words.ceiling_reason(
        proof.rounds, median, proof.polls / proof.seconds, _unanswered(proof.units)
    )
    return [
        Advised("poll ceiling: shortest cycle", _up_to(1000 * slow, 10), "ms", reason),
        Advised(
            "cycle with one more unit silent",
            _up_to(1000 * (median + penalty), 10),
            "ms",
            words.silent_unit_reason(requests),
        ),
    ]


def _load(proof: Proof, table: PollingTable | None) -> Advised:
    if table is None or not table.rows:
        return Advised("bus load", round(100 * proof.wire_share, 1), "%", words.LOAD_OF_THE_RUN)
    reason = words.load_reason(len(table.rows), possible=table.load <= 1)
    return Advised("bus load", round(100 * table.load, 1), "%", reason)


def _up_to(value: float, step: int) -> float:
    """`value` rounded up to a multiple of `step`; what a float adds in the last digits does not
    count."""
    return float(step * math.ceil(round(value / step, 6)))

"""Advice for the master from what an endurance run measured: each number with its reason.

Where a number rests on a rule of the trade and not on a measurement, its reason says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from busprobe.files.documents import to_document
from busprobe.prove.polling_table import PollingTable
from busprobe.prove.proof import PollResult, Proof, UnitTally
from busprobe.prove.statistics import milliseconds

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
    value: float
    unit: str
    reason: str


@dataclass(frozen=True)
class Advice:
    """All numbers that the measurements allow."""

    items: tuple[Advised, ...]

    def document(self) -> dict[str, object]:
        """As stored and handed over."""
        return {"format": "busprobe.advice/1", **to_document(self)}


def advise(proof: Proof, table: PollingTable | None = None) -> Advice:
    """What to set at the master; empty if no unit answered.  With `table`, the load it puts on the
    bus as well."""
    answering = [unit for unit in proof.units if unit.reply_times.count or unit.late]
    if not answering:
        return Advice(())
    timeout = _timeout(answering)
    retries = _retries(answering, together=proof.pattern.together)
    ceiling = _ceiling(proof, timeout, retries)
    return Advice((timeout, _pause(proof, answering), retries, *ceiling, _load(proof, table)))


def _timeout(answering: Iterable[UnitTally]) -> Advised:
    units = list(answering)
    slowest = max(units, key=_slowest)
    transfer = max(unit.settings.wire_time(unit.longest_reply) for unit in units)
    seconds = max(SHORTEST_TIMEOUT_S, TIMEOUT_FACTOR * _slowest(slowest) + transfer)
    reason = (
        f"Twice the slowest reply ({_ms(_slowest(slowest))} at unit {slowest.address}) and the"
        f" {_ms(transfer)} that the longest reply takes on the wire, not below"
        f" {_ms(SHORTEST_TIMEOUT_S)} (common practice); counted from the end of the request, delays"
        " of the adapter used here included."
    )
    if late := sum(unit.late for unit in units):
        reason += (
            f" Late replies: {late}; measure again with a longer wait, there may be later ones"
            " still."
        )
    return Advised("response timeout", _up_to(1000 * seconds, 10), "ms", reason)


def _slowest(unit: UnitTally) -> float:
    return max(unit.reply_times.maximum or 0.0, unit.latest_ms / 1000)


def _pause(proof: Proof, answering: Iterable[UnitTally]) -> Advised:
    units = list(answering)
    standard = max(unit.settings.t3_5 for unit in units)
    used = max(proof.pause, standard)
    missing = sum(
        unit.count(PollResult.SILENT) + unit.count(PollResult.FOREIGN) + unit.late for unit in units
    )
    polls = sum(unit.polls for unit in units)
    longer = next((pause for pause in PAUSES if pause > used), None)
    value = used
    if not missing:
        reason = (
            f"With this silence before each, none of {polls} polls of the units that answer stayed"
            f" without a reply in time. The standard demands 3.5 characters, {_ms(standard)} (V1.02"
            " section 2.5.1.1); more where a profile asks for it."
        )
    else:
        reason = (
            f"{missing} of {polls} polls of the units that answer had no reply in time with"
            f" {_ms(used)}"
        )
        if any(unit.count(PollResult.CRC) or unit.count(PollResult.MALFORMED) for unit in units):
            reason += ", and others came garbled: mend the disturbance first, then measure again."
        elif proof.pattern.together:
            reason += (
                ", at several units in the same rounds: mend what they share first, then measure"
                " again."
            )
        elif longer is None:
            reason += ": a still longer pause will not help, look for the cause."
        else:
            value = longer
            reason += (
                "; some units need more (common practice). This is the next longer pause to try,"
                " not yet a proven one: run again with it."
            )
    return Advised("pause between frames", _up_to(1000 * value, 1), "ms", reason)


def _retries(answering: Iterable[UnitTally], *, together: bool) -> Advised:
    worst = max(answering, key=lambda unit: unit.failed / unit.polls)
    rate = worst.failed / worst.polls
    if not rate:
        reason = (
            "No poll of the units that answer failed. One retry covers a single disturbance; more"
            " would hide a fault that begins (common practice)."
        )
        return Advised("retries", 1, "", reason)
    needed = (
        math.ceil(math.log(LOST_AT_MOST) / math.log(rate)) - 1 if rate < 1 else MOST_RETRIES + 1
    )
    retries = min(MOST_RETRIES, max(1, needed))
    share = f"{100 * rate:.3g} % of the polls of unit {worst.address} failed"
    if needed > MOST_RETRIES:
        reason = f"{share}: that is beyond what retries can mend. Find the cause first."
    else:
        reason = (
            f"{share}; with so many retries less than 1 reading in {1 / LOST_AT_MOST:.0f} is lost"
        )
        reason += (
            ", if failures do not come in bursts; here they do."
            if together
            else ". Find the cause all the same."
        )
    return Advised("retries", retries, "", reason)


def _ceiling(proof: Proof, timeout: Advised, retries: Advised) -> list[Advised]:
    slow = proof.round_times.percentile(99)
    median = proof.round_times.median
    if slow is None or median is None:
        return []  # no round was finished
    penalty = (1 + retries.value) * timeout.value / 1000
    reason = (
        f"99 % of the {proof.rounds} measured rounds took no longer ({_ms(median)} in the median);"
        " a master that asks the same more often falls behind. On average"
        f" {proof.polls / proof.seconds:.1f} polls a second went through."
    )
    if unanswered := sum(
        unit.count(PollResult.SILENT) + unit.count(PollResult.FOREIGN) + unit.late
        for unit in proof.units
    ):
        reason += (
            f" The waits of this run for {unanswered} replies that did not come in time are part"
            " of it."
        )
    return [
        Advised("poll ceiling: shortest cycle", _up_to(1000 * slow, 10), "ms", reason),
        Advised(
            "cycle with one more unit silent",
            _up_to(1000 * (median + penalty), 10),
            "ms",
            f"The median round and {1 + retries.value:.0f} times the response timeout for one"
            " request: what one dead unit costs each cycle. Let the master ask a silent unit less"
            " often.",
        ),
    ]


def _load(proof: Proof, table: PollingTable | None) -> Advised:
    if table is None or not table.rows:
        return Advised(
            "bus load",
            round(100 * proof.wire_share, 1),
            "%",
            "Share of the run in which bits were on the pair; the rest was waiting for units and"
            " gaps. This is at the pace of the run; the load of a master follows from its polling"
            " table.",
        )
    reason = (
        f"The {len(table.rows)} requests of the polling table, each as often as wanted, with the"
        " reply times given there; gaps and waiting count as load, since nobody else can talk"
        " then."
    )
    if table.load > 1:
        reason += " Above 100 % cannot be done: ask less often, or raise the baud rate."
    return Advised("bus load", round(100 * table.load, 1), "%", reason)


def _up_to(value: float, step: int) -> float:
    """`value` rounded up to a multiple of `step`; what a float adds in the last digits does not
    count."""
    return float(step * math.ceil(round(value / step, 6)))


def _ms(seconds: float) -> str:
    return f"{milliseconds(seconds):g} ms"

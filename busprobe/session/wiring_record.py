"""What a job knows of its wiring: the record of the step, logs of hunts, and what failures say of
it."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.prove.documents import stored_proof
from busprobe.prove.proof import Proof
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.wiring.calculations import Calculated
from busprobe.wiring.causes import Observation
from busprobe.wiring.error_distribution import (
    FailedPoll,
    PollCounts,
    PollingPeriod,
    RunCounts,
    by_position,
    error_patterns,
)
from busprobe.wiring.listening import ListeningResult
from busprobe.wiring.meter import Judgement
from busprobe.wiring.record import wiring_document


def keep_wiring(
    job: Job,
    judgements: Sequence[Judgement] = (),
    heard: ListeningResult | None = None,
    calculations: Sequence[Calculated] = (),
) -> dict[str, object]:
    """Record what a meter showed, was heard and was calculated, with what failures say; returns the
    document.

    What this time was not tried is carried on from the record before.
    """
    before = job.latest("wiring")
    patterns = failure_patterns(job)
    with job.as_stored():
        document = wiring_document(
            judgements,
            heard.observations if heard is not None else (),
            listened=heard is not None,
            patterns=patterns,
            calculations=calculations,
            earlier=before.document if before is not None else None,
        )
    job.record("wiring", document)
    return document


class HuntLog:
    """The log of one hunt in the job, kept as it goes, so that nothing is lost on a crash."""

    def __init__(self, job: Job, addresses: str) -> None:
        """Nothing is in the job before there is something to keep."""
        self._job = job
        self._addresses = addresses
        self._record: int | None = None

    def keep(self, lines: Sequence[str]) -> None:
        """Put the whole log, oldest line first, in the place of what was kept of it before."""
        document = {"addresses": self._addresses, "log": list(lines)}
        if self._record is None:
            self._record = self._job.record("hunt", document)
        else:
            self._job.amend(self._record, document)


def failure_patterns(job: Job) -> tuple[Observation, ...]:
    """Where and when exchanges failed: along the cable, by baud rate, by time; empty if nothing
    strikes the eye.

    Units that were lost between two surveys count along the cable where no endurance run shows
    anything there.
    """
    order = tuple(
        dict.fromkeys(
            unit.address for unit in sorted(_placed(job), key=lambda unit: unit.position or 0)
        )
    )
    with job.as_stored():
        runs = [run_counts(stored_proof(record.document)) for record in job.records("prove")]
    lost = by_position(order, _last_survey(job))
    found = error_patterns(runs, order)
    return (
        found if lost is None or any(lost.hints == each.hints for each in found) else (*found, lost)
    )


def run_counts(proof: Proof) -> RunCounts:
    """A proof as plain counts, a unit at other line settings of the same baud rate added to it.

    Only the first failures of a unit are kept with their moments, so that time is watched until one
    is left out.
    """
    tallies: dict[tuple[int, int], PollCounts] = {}
    until = proof.seconds
    for unit in proof.units:
        key = unit.address, unit.settings.baud
        tallies[key] = tallies.get(key, PollCounts(0, 0)) + PollCounts(unit.polls, unit.failed)
        if unit.failed > len(unit.evidence):
            until = min(until, unit.evidence[-1].seconds if unit.evidence else 0.0)
    failures = sorted(
        (each.seconds, unit.address) for unit in proof.units for each in unit.evidence
    )
    watched = tuple(
        FailedPoll(seconds, address) for seconds, address in failures if seconds < until
    )
    rounds = round(proof.rounds * until / proof.seconds) if proof.seconds else 0
    return RunCounts(
        tallies, PollingPeriod(until, rounds, watched, proof.round_times.maximum or 0.0)
    )


def _placed(job: Job) -> list[UnitRecord]:
    return [unit for unit in job.units() if unit.position is not None]


def _last_survey(job: Job) -> dict[int, PollCounts]:
    """Units on the as-built list with a place, and whether the last complete survey found them
    again.

    Only those count as lost that had answered before it began.
    """
    survey = KeptSurvey.latest(job)
    if survey is None or not survey.complete:
        return {}
    tallies = {}
    for unit in _placed(job):
        asked = unit.address in survey.addresses and unit.settings in survey.settings
        if asked and unit.seen:
            there = unit.seen >= survey.begun or unit.place in survey.places
            tallies[unit.address] = PollCounts(1, 0 if there else 1)
    return tallies

"""Endurance runs, and trials of the polling table, kept in the job while they go on: a crash
costs one round at most.

A run is one record from its first minute to its end, also where it was stopped, cut off and gone on
with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from threading import Event as StopFlag

from busprobe.errors import RefusedError
from busprobe.handover.bus_list import BusList
from busprobe.handover.known_bus import known_bus
from busprobe.job.job import Job
from busprobe.job.records import PollResult, ReplyTimes, UnitRecord
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.profiles.schema import Profile
from busprobe.prove import endurance
from busprobe.prove.bus_polling import polled_units
from busprobe.prove.documents import PROOF_FORMAT, proof_document, stored_proof, trial_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import milliseconds
from busprobe.prove.trial import Trial, try_table
from busprobe.session.last_seen import Heard

CUT_OFF = "the program ended while it was under way."
"""Stands in the record as long as a run is under way, so that it is true if nothing follows."""


@dataclass(frozen=True)
class KeptRun:
    """The last endurance run of a job."""

    record: int
    """Id of its record."""
    made: str
    """When it was last brought up to date."""
    proof: Proof


def last_run(job: Job) -> KeptRun | None:
    """The last endurance run, ended or not; `None` before the first, and where it is in another
    format."""
    latest = job.latest("prove")
    if latest is None or latest.document.get("format") != PROOF_FORMAT:
        return None
    with job.as_stored():
        return KeptRun(latest.id, latest.made, stored_proof(latest.document))


def targets(
    units: Sequence[UnitRecord], profiles: Mapping[str, Profile]
) -> tuple[endurance.PollTarget, ...]:
    """Every single unit of the as-built list, asked for the points of its profile."""
    return tuple(
        endurance.target(unit.place, profiles.get(unit.profile or ""))
        for unit in units
        if unit.single
    )


def keep_running(
    line: Line,
    job: Job,
    asked: Sequence[endurance.PollTarget],
    plan: endurance.RunPlan,
    *,
    stop: StopFlag | None,
    resume: bool,
) -> Iterator[endurance.RunEvent]:
    """An endurance run whose counts are kept as it goes on; with `resume` the last one, if it did
    not come to its end.

    A `plan` without an end then runs as far as the last one was to.  Raises `UsageError` where
    there is nothing to poll, or the run to go on with polled other units.
    """
    last = last_run(job) if resume else None
    going_on = last if last is not None and not last.proof.complete else None
    record = going_on.record if going_on else None
    before = going_on.proof if going_on else None
    if before is not None and plan.rounds is None and plan.seconds is None:
        plan = replace(plan, rounds=before.asked_rounds, seconds=before.asked_seconds)
    heard = Heard(job)
    for event in endurance.endure(line, asked, plan, stop=stop, before=before):
        match event:
            case endurance.Polled():
                heard.polled(event)
            case endurance.RunProgress(proof) | endurance.RoundDone(proof):
                record = _keep(job, record, replace(proof, interruption=CUT_OFF), heard)
            case endurance.RunFinished(proof) if (
                proof.polls
            ):  # a port that fails at once must not hide an earlier run
                record = _keep(job, record, proof, heard)
        yield event


def _keep(job: Job, record: int | None, proof: Proof, heard: Heard) -> int:
    """Put the proof into its record and each unit's part of it into the as-built list; returns the
    record's id."""
    tallies = {unit.place: unit for unit in proof.units if unit.polls}

    def with_counts(unit: UnitRecord) -> UnitRecord:
        tally = tallies.get(unit.place)
        return unit if tally is None else _with_counts(unit, tally)

    with job.together():
        if record is None:
            record = job.record("prove", proof_document(proof))
        else:
            job.amend(record, proof_document(proof))
        job.revise_units(with_counts)
        heard.keep()
    return record


def _with_counts(unit: UnitRecord, tally: UnitTally) -> UnitRecord:
    """The unit with its counts; reply times known from before stand where it answered nothing
    now."""
    times = (tally.reply_times.minimum, tally.reply_times.median, tally.reply_times.maximum)
    latency = (
        ReplyTimes(*(milliseconds(time) for time in times))
        if tally.reply_times.count
        else unit.latency
    )
    counters = {result: tally.count(result) for result in PollResult}
    return replace(unit, latency=latency, counters=counters)


@dataclass(frozen=True)
class Tried:
    """The requests of a polling table were tried; cycles of it follow."""

    trial: Trial


def try_polling(
    line: Line, job: Job, bus_list: BusList, *, rounds: int, stop: StopFlag | None
) -> Iterator[Tried | endurance.RunEvent]:
    """Try the polling table of the list on the bus, then measure `rounds` cycles of it; kept under
    "polling".

    Raises `RefusedError` where the table has no request.
    """
    waits = Waits(reply=endurance.RunPlan.reply_wait)
    anew = replace(bus_list, trial=None)  # what an earlier trial was refused may have been noise
    trial = try_table(line, polled_units(known_bus(anew)), waits, stop)
    if not trial.table.rows:
        raise RefusedError(
            "There is nothing to poll yet: no point of any unit is known.",
            todo="Identify the units first, so that their profiles say what can be read.",
        )
    yield Tried(trial)
    asked, heard = endurance.table_targets(trial.table), Heard(job)
    for event in endurance.endure(line, asked, endurance.RunPlan(rounds=rounds), stop=stop):
        match event:
            case endurance.Polled():
                heard.polled(event)
            case endurance.RunFinished():
                job.record("polling", trial_document(trial, event.proof))
                heard.keep()
        yield event

"""``busprobe prove``: does the bus hold up, and how fast can a master poll it?"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from threading import Event as StopFlag

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.hints import print_observations
from busprobe.cli.sessions import session_on_existing
from busprobe.errors import BusprobeError, ExitCode, PortError, RefusedError, UsageError
from busprobe.handover.known_bus import polling_of
from busprobe.handover.tables.proof_table import advice
from busprobe.job.intervals import Intervals, keep_intervals, kept_intervals, parse_interval
from busprobe.job.records import PollResult
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.prove.advice import Advised
from busprobe.prove.bus_polling import Polling, cycle_words
from busprobe.prove.documents import (
    PollingDocument,
    ProofDocument,
    published_proof,
    published_table,
)
from busprobe.prove.endurance import RoundDone, RunFinished
from busprobe.prove.polling_table import PollingRow
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import Times, milliseconds
from busprobe.prove.words import findings
from busprobe.session import endurance_runs as runs
from busprobe.session.session import Session
from busprobe.session.wiring_record import failure_patterns
from busprobe.wiring.causes import RecordedObservation

_MINUTES = 1.0
_LONGEST_PAUSE = 60_000.0
_CYCLES = 20
"""Cycles of the polling table that are measured."""


_TITLES = {
    PollResult.OK: "OK",
    PollResult.OK_AFTER_STRAY_BYTES: "Stray",
    PollResult.EXCEPTION: "Exc.",
    PollResult.SILENT: "Silent",
    PollResult.LATE: "Late",
    PollResult.CRC: "CRC",
    PollResult.MALFORMED: "Malf.",
    PollResult.FOREIGN: "Other",
}
"""Columns that fit into 80 characters, with the words of the wizard."""


@dataclass(frozen=True, kw_only=True)
class ProveDocument(ProofDocument):
    """What ``busprobe prove --json`` prints."""

    patterns: tuple[RecordedObservation, ...]
    """What the failures have in common by place and time."""
    advice: tuple[Advised, ...]
    """What to set at the master."""
    polling: PollingDocument


def run(
    port: str,
    job_file: Path,
    minutes: float | None,
    rounds: int | None,
    pause: float,
    go_on: bool,
    wanted: tuple[str, ...],
    try_table: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe prove`` is asked for."""
    stop = threading.Event()
    with session_on_existing(port, job_file) as session, on_stop(stop.set):
        if wanted:
            keep_intervals(session.job, _said(session, wanted))
        trouble: BusprobeError | None
        proof, trouble = _prove(session, minutes, rounds, stop, pause=pause / 1000, go_on=go_on)
        if try_table and trouble is None and not stop.is_set():
            trouble = _try(session, stop)
        patterns = failure_patterns(session.job)
        listed = session.bus_list()
    made, items = polling_of(listed), advice(listed)
    if as_json:
        measured = made.measured.cycle_s if made.measured else None
        output.publish(
            ProveDocument(
                **vars(published_proof(proof)),
                patterns=tuple(pattern.recorded for pattern in patterns),
                advice=items,
                polling=published_table(made.table, measured),
            )
        )
    else:
        _print(proof)
        print_observations(patterns)
        if items:
            output.line("")
            output.table(
                ("For the master", "Value", "", "Why"),
                [(i.name, f"{i.value:g}", i.unit, i.reason) for i in items],
            )
        _print_polling(made)
    if isinstance(trouble, PortError):
        output.say("What was counted is kept. Once the adapter is back, go on with --go-on.")
    if trouble is not None:
        raise trouble
    return ExitCode.DONE if proof.clean and proof.complete else ExitCode.ATTENTION


def _said(session: Session, wanted: tuple[str, ...]) -> Intervals:
    """The intervals kept so far with those said now; raises `UsageError` for what names no point or
    is no time."""
    intervals = kept_intervals(session.job)
    for text in wanted:
        name, given, seconds = text.rpartition("=")
        if not given:
            intervals = Intervals(parse_interval(text), intervals.points)
            continue
        profile, _, point = name.partition("/")
        known = session.store.profiles.get(profile)
        names = [each.name for each in known.points] if known else []
        if point not in names:
            raise UsageError(
                f"'{name}' is no point of a known device type.",
                todo=(
                    f"Its points are: {', '.join(names)}."
                    if names
                    else (
                        "Write TYPE/POINT=SECONDS with the id of a type, as 'busprobe profiles"
                        " list' shows it."
                    )
                ),
            )
        intervals = intervals.with_point(profile, point, parse_interval(seconds))
    return intervals


def _prove(
    session: Session,
    minutes: float | None,
    rounds: int | None,
    stop: StopFlag,
    *,
    pause: float,
    go_on: bool,
) -> tuple[Proof, PortError | None]:
    last_run = runs.last_run(session.job) if go_on else None
    ended = last_run is None or last_run.proof.complete
    if minutes is None and rounds is None and ended:
        minutes = _MINUTES
    for event in session.prove(
        minutes=minutes, rounds=rounds, pause=pause, stop=stop, resume=go_on
    ):
        match event:
            case RoundDone(proof, _) if proof.rounds % 10 == 0:
                output.say(f"{proof.rounds} rounds, {proof.polls} polls, {proof.failed} failed")
            case RunFinished(proof, failure):
                last, trouble = proof, failure
    return last, trouble


def _try(session: Session, stop: StopFlag) -> BusprobeError | None:
    """What kept the table from being tried; it is raised only when the run before it has been told
    of."""
    output.say("Trying the polling table.")
    try:
        for event in session.try_polling(_CYCLES, stop):
            if isinstance(event, RunFinished):
                return event.failure
    except RefusedError as error:
        return error
    return None


def _print(proof: Proof) -> None:
    kinds = [kind for kind in PollResult if any(unit.count(kind) for unit in proof.units)]
    counts = (
        (*_place(unit), unit.polls, *(unit.count(kind) for kind in kinds)) for unit in proof.units
    )
    output.table(("Address", "Settings", "Polls", *(_TITLES[kind] for kind in kinds)), counts)
    output.line("")
    times = (
        (*_place(unit), *_times(unit.reply_times)) for unit in proof.units if unit.reply_times.count
    )
    output.table(("Address", "Settings", "Reply median ms", "99 % ms", "Max ms"), times)
    output.lines(findings(proof))


def _place(unit: UnitTally) -> tuple[str, LineSettings]:
    return both_forms(unit.address), unit.settings


def _times(times: Times) -> Iterator[str]:
    for seconds in (times.median, times.percentile(99), times.maximum):
        yield "" if seconds is None else f"{1000 * seconds:.1f}"


def _print_polling(made: Polling) -> None:
    output.line("")
    if made.table.rows:
        columns = ("Address", "Function", "Register", "Count", "Every s", "ms", "Points")
        output.table(columns, [_request(row) for row in made.table.rows])
        output.line(f"{cycle_words(made)} Bus load {100 * made.table.load:.1f} %. {made.wanted}")
        cycles = ", ".join(
            f"{baud}: {milliseconds(cycle):g} ms" for baud, cycle in made.table.cycles().items()
        )
        output.line(f"Computed at other baud rates: {cycles}.")
    output.lines(f"Not asked: {words}" for words in made.not_asked)
    output.lines(f"Note: {words}" for words in made.assumed)


def _request(row: PollingRow) -> tuple[object, ...]:
    where = (both_forms(row.place.address), row.block.function, row.block.register, row.block.count)
    return (*where, f"{row.every_s:g}", milliseconds(row.seconds), ", ".join(row.names))

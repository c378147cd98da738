"""Endurance runs and polling tables as they are stored in a job and printed: what was counted, and
what follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Final, Literal

from busprobe.errors import UsageError
from busprobe.files.documents import from_document, to_document
from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PollingRow, PollingTable
from busprobe.prove.proof import FailedReply, Proof, UnitTally
from busprobe.prove.statistics import RESOLUTION, FailuresOverTime, Times, milliseconds
from busprobe.prove.trial import Trial
from busprobe.prove.words import findings, hindrance_words, trial_words, unit_words
from busprobe.text import hex_bytes

PROOF_FORMAT: Final = "busprobe.proof/1"
"""Format and version of a stored proof."""

POLLING_FORMAT: Final = "busprobe.polling/1"
"""Format and version of a stored polling table."""


@dataclass(frozen=True)
class TimesDocument:
    """Measured times, as documents have them."""

    count: int
    min_ms: float | None
    median_ms: float | None
    p99_ms: float | None
    max_ms: float | None
    step_ms: float
    """Milliseconds of a step."""
    steps: Mapping[int, int]
    """Steps to how many times fell there."""


@dataclass(frozen=True, kw_only=True)
class UnitProof:
    """A unit of an endurance run, as documents have it."""

    place: Place
    address: int
    settings: LineSettings
    polls: int
    failed: int
    kinds: Mapping[PollResult, int]
    """Polls by what came of them."""
    verdicts: Mapping[Verdict, int]
    """Polls by verdict, without the late ones."""
    late: int
    latest_ms: float
    exceptions: Mapping[int, int]
    reply_times: TimesDocument
    failures_over_time: FailuresOverTime
    failed_rounds: int
    bytes_sent: int
    bytes_received: int
    longest_reply: int
    """Bytes."""
    evidence: tuple[FailedReply, ...]
    error_rate_at_most: float
    """With a confidence of 95 %."""
    words: str


@dataclass(frozen=True, kw_only=True)
class ProofDocument:
    """What was counted and what it shows; times in seconds unless the name says ms."""

    format: Literal["busprobe.proof/1"] = PROOF_FORMAT
    units: tuple[UnitProof, ...]
    reply_wait: float
    late_wait: float
    pause: float
    seconds: float
    rounds: int
    shared_rounds: int
    shared_pairs: int
    round_times: TimesDocument
    host_delays: TimesDocument
    """Between a reply and the next request, beyond the silence due there."""
    strays: int
    asked_rounds: int | None
    asked_seconds: float | None
    complete: bool
    """Whether it ran as long as was asked for."""
    interruption: str
    polls: int
    failed: int
    clean: bool
    wire_share: float
    findings: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PolledRow:
    """One request of a polling table."""

    address: int
    settings: LineSettings
    function: int
    register: int
    count: int
    every_s: float | None
    points: tuple[str, ...]
    registers_between: int
    """Registers that are read with the others and wanted by nobody."""
    request: str
    """The frame in hex pairs."""
    ms: float | None
    """Milliseconds that it takes."""


@dataclass(frozen=True)
class LeftOut:
    """A point that no request of the table reads."""

    address: int
    point: str
    why: str


@dataclass(frozen=True)
class AtBaud:
    """What the table would take at another baud rate."""

    baud: int
    cycle_ms: float | None
    load: float


@dataclass(frozen=True, kw_only=True)
class PollingDocument:
    """A polling table."""

    format: Literal["busprobe.polling/1"] = POLLING_FORMAT
    rows: tuple[PolledRow, ...]
    left_out: tuple[LeftOut, ...]
    cycle_ms: float | None
    measured_cycle_ms: float | None
    load: float
    at_bauds: tuple[AtBaud, ...]


def published_proof(proof: Proof) -> ProofDocument:
    """Everything that was counted and what it shows."""
    given = {each.name: getattr(proof, each.name) for each in fields(proof)}
    return ProofDocument(
        **{
            **given,
            "round_times": _times(proof.round_times),
            "host_delays": _times(proof.host_delays),
            "units": tuple(map(_unit, proof.units)),
        },
        polls=proof.polls,
        failed=proof.failed,
        clean=proof.clean,
        wire_share=round(proof.wire_share, 4),
        findings=tuple(findings(proof)),
    )


def proof_document(proof: Proof) -> dict[str, Any]:
    """The same as it is stored in a job."""
    return to_document(published_proof(proof))


def stored_proof(document: Mapping[str, Any]) -> Proof:
    """Read back what `proof_document` wrote, so that a run can go on later; raises `UsageError` on
    another format, and ValueError on anything else."""
    if document.get("format") != PROOF_FORMAT:
        raise UsageError(
            f"The stored endurance run has the format '{document.get('format')}', not"
            f" '{PROOF_FORMAT}'.",
            todo="Start a new run; the stored one stays in the job as it is.",
        )
    # Runs kept by earlier versions name the place by its two parts.
    placed = [
        {"place": f"{unit['address']} {unit['settings']}", **unit} for unit in document["units"]
    ]
    proof = from_document(Proof, {**document, "units": placed})
    for unit in proof.units:
        if unit.reply_times.count and not unit.polls:
            raise ValueError(f"units: {unit.place} has replies and no polls")
    return proof


def published_table(table: PollingTable, measured_cycle_s: float | None = None) -> PollingDocument:
    """A polling table; `measured_cycle_s` are the seconds that a cycle of it took on the bus."""
    return PollingDocument(
        rows=tuple(map(_row, table.rows)),
        left_out=tuple(
            LeftOut(one.place.address, one.name, hindrance_words(one.hindrance))
            for one in table.left_out
        ),
        cycle_ms=milliseconds(table.cycle_s),
        measured_cycle_ms=milliseconds(measured_cycle_s),
        load=round(table.load, 4),
        at_bauds=tuple(
            AtBaud(baud, milliseconds(at.cycle_s), round(at.load, 4))
            for baud in COMMON_BAUDS
            for at in [table.at_baud(baud)]
        ),
    )


@dataclass(frozen=True)
class KeptTrial:
    """A trial of a polling table as it is kept in a job."""

    made: str
    requests: frozenset[tuple[Place, bytes]]
    """The frames of the table, each with the place that it is for."""
    given: tuple[tuple[Place, Block], ...]
    """Requests with registers in between that were answered."""
    refused: tuple[tuple[Place, Block], ...]
    """Registers in between that were not given."""
    cycle_s: float | None
    """The median time of a cycle on the bus; None where none was finished."""
    cycles: int
    polls: int
    failed: int
    """Polls without a conforming reply in time."""
    host_delay_s: float | None = None
    """What the computer took before a request beyond the silence due there, in the median; None =
    not measured."""

    @property
    def words(self) -> str:
        """What its figures rest on, in one sentence."""
        return trial_words(self.made, self.cycles, self.polls, self.failed)


def trial_document(trial: Trial, cycles: Proof) -> dict[str, Any]:
    """A trial as stored in a job: the table, what was asked for it, and what cycles of it took."""
    cycle_s = cycles.round_times.median
    return {
        **to_document(published_table(trial.table, cycle_s)),
        "given": [_placed_block(place, block) for place, block in trial.given],
        "refused": [_placed_block(place, block) for place, block in trial.refused],
        "complete": trial.complete,
        "cycle_s": cycle_s,
        "host_delay_s": cycles.host_delays.median,
        "cycles": cycles.rounds,
        "polls": cycles.polls,
        "failed": cycles.failed,
    }


def kept_trial(made: str, document: Mapping[str, Any]) -> KeptTrial | None:
    """Read back what `trial_document` wrote; None where it is in another format."""
    if document.get("format") != POLLING_FORMAT:
        return None
    return from_document(
        KeptTrial,
        {
            **document,
            "made": made,
            "requests": {(_place(row), bytes.fromhex(row["request"])) for row in document["rows"]},
            "given": [(_place(one), from_document(Block, one)) for one in document["given"]],
            "refused": [(_place(one), from_document(Block, one)) for one in document["refused"]],
        },
    )


def _place(document: Mapping[str, Any]) -> Place:
    return Place.parse(f"{document['address']} {document['settings']}")


def _placed_block(place: Place, block: Block) -> dict[str, Any]:
    return {"address": place.address, "settings": str(place.settings), **to_document(block)}


def _row(row: PollingRow) -> PolledRow:
    return PolledRow(
        address=row.place.address,
        settings=row.place.settings,
        **vars(row.block),
        every_s=row.every_s,
        points=tuple(row.names),
        registers_between=sum(block.count for block in row.between),
        request=hex_bytes(row.request.frame),
        ms=milliseconds(row.seconds),
    )


def _unit(unit: UnitTally) -> UnitProof:
    given = {each.name: getattr(unit, each.name) for each in fields(unit)}
    return UnitProof(
        **{
            **given,
            "latest_ms": round(unit.latest_ms, 1),
            "reply_times": _times(unit.reply_times),
        },
        address=unit.address,
        settings=unit.settings,
        polls=unit.polls,
        failed=unit.failed,
        kinds={result: unit.count(result) for result in PollResult},
        error_rate_at_most=unit.bound,
        words=unit_words(unit),
    )


def _times(times: Times) -> TimesDocument:
    return TimesDocument(
        count=times.count,
        min_ms=milliseconds(times.minimum),
        median_ms=milliseconds(times.median),
        p99_ms=milliseconds(times.percentile(99)),
        max_ms=milliseconds(times.maximum),
        step_ms=1000 * RESOLUTION,
        steps={step: times.steps[step] for step in sorted(times.steps)},
    )

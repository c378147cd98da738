"""Endurance runs and polling tables as they are stored in a job and printed: what was counted, and
what follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from busprobe.errors import UsageError
from busprobe.files.documents import from_document, to_document
from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PollingRow, PollingTable
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import RESOLUTION, Times, milliseconds
from busprobe.prove.trial import Trial
from busprobe.prove.words import findings, hindrance_words, trial_words, unit_words

PROOF_FORMAT = "busprobe.proof/1"
"""Format and version of a stored proof."""

POLLING_FORMAT = "busprobe.polling/1"
"""Format and version of a stored polling table."""


def proof_document(proof: Proof) -> dict[str, Any]:
    """Everything that was counted and what it shows; times in seconds unless the name says ms."""
    return {
        "format": PROOF_FORMAT,
        **to_document(proof),
        "polls": proof.polls,
        "failed": proof.failed,
        "clean": proof.clean,
        "wire_share": round(proof.wire_share, 4),
        "round_times": _times(proof.round_times),
        "findings": list(findings(proof)),
        "units": [_unit(unit) for unit in proof.units],
    }


def stored_proof(document: Mapping[str, Any]) -> Proof:
    """Read back what `proof_document` wrote, so that a run can go on later; raises `UsageError` on
    another format."""
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
    return from_document(Proof, {**document, "units": placed})


def table_document(table: PollingTable, measured_cycle_s: float | None = None) -> dict[str, Any]:
    """A polling table; `measured_cycle_s` are the seconds that a cycle of it took on the bus."""
    return {
        "format": POLLING_FORMAT,
        "rows": [_row(row) for row in table.rows],
        "left_out": [
            {"address": one.place.address, "point": one.name, "why": hindrance_words(one.hindrance)}
            for one in table.left_out
        ],
        "cycle_ms": milliseconds(table.cycle_s),
        "measured_cycle_ms": milliseconds(measured_cycle_s),
        "load": round(table.load, 4),
        "at_bauds": [
            {"baud": baud, "cycle_ms": milliseconds(at.cycle_s), "load": round(at.load, 4)}
            for baud in COMMON_BAUDS
            for at in [table.at_baud(baud)]
        ],
    }


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

    @property
    def words(self) -> str:
        """What its figures rest on, in one sentence."""
        return trial_words(self.made, self.cycles, self.polls, self.failed)


def trial_document(trial: Trial, cycles: Proof) -> dict[str, Any]:
    """A trial as stored in a job: the table, what was asked for it, and what cycles of it took."""
    cycle_s = cycles.round_times.median
    return {
        **table_document(trial.table, cycle_s),
        "given": [_placed_block(place, block) for place, block in trial.given],
        "refused": [_placed_block(place, block) for place, block in trial.refused],
        "complete": trial.complete,
        "cycle_s": cycle_s,
        "cycles": cycles.rounds,
        "polls": cycles.polls,
        "failed": cycles.failed,
    }


def kept_trial(made: str, document: Mapping[str, Any]) -> KeptTrial | None:
    """Read back what `trial_document` wrote; None where it is in another format."""
    if document.get("format") != POLLING_FORMAT:
        return None
    return KeptTrial(
        made=made,
        requests=frozenset(
            (_place(row), bytes.fromhex(row["request"])) for row in document["rows"]
        ),
        given=tuple((_place(one), from_document(Block, one)) for one in document["given"]),
        refused=tuple((_place(one), from_document(Block, one)) for one in document["refused"]),
        cycle_s=document["cycle_s"],
        cycles=document["cycles"],
        polls=document["polls"],
        failed=document["failed"],
    )


def _place(document: Mapping[str, Any]) -> Place:
    return Place.parse(f"{document['address']} {document['settings']}")


def _placed_block(place: Place, block: Block) -> dict[str, Any]:
    return {"address": place.address, "settings": str(place.settings), **to_document(block)}


def _row(row: PollingRow) -> dict[str, Any]:
    return {
        **_placed_block(row.place, row.block),
        "every_s": row.every_s,
        "points": list(row.names),
        "registers_between": sum(block.count for block in row.between),
        "request": row.request.frame.hex(" ").upper(),
        "ms": milliseconds(row.seconds),
    }


def _unit(unit: UnitTally) -> dict[str, Any]:
    return {
        **to_document(unit),
        "address": unit.address,
        "settings": str(unit.settings),
        "polls": unit.polls,
        "failed": unit.failed,
        "kinds": {result: unit.count(result) for result in PollResult},
        "latest_ms": round(unit.latest_ms, 1),
        "reply_times": _times(unit.reply_times),
        "error_rate_at_most": unit.bound,
        "words": unit_words(unit),
    }


def _times(times: Times) -> dict[str, Any]:
    return {
        "count": times.count,
        "min_ms": milliseconds(times.minimum),
        "median_ms": milliseconds(times.median),
        "p99_ms": milliseconds(times.percentile(99)),
        "max_ms": milliseconds(times.maximum),
        "step_ms": 1000 * RESOLUTION,
        "steps": {str(step): times.steps[step] for step in sorted(times.steps)},
    }

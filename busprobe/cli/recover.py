"""``busprobe recover``: what is true of moves that were cut off, and what is left of their
procedures."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output, writes
from busprobe.cli.sessions import session_on_existing
from busprobe.errors import ExitCode, RefusedError
from busprobe.job.journal import Role
from busprobe.readdress.outcome import (
    MoveDocument,
    Outcome,
    ReaddressDocument,
    places,
    refusal,
)
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session


@dataclass(frozen=True, kw_only=True)
class FinishedSteps(MoveDocument):
    """Steps of a procedure that were still to be sent."""

    steps: tuple[Role, ...]
    outcome: str
    why: str
    todo: str


@dataclass(frozen=True, kw_only=True)
class UnlockedUnit(MoveDocument):
    """A unit that was unlocked and that no known write locks again."""

    locks_itself_after_s: float | None
    why: str


@dataclass(frozen=True, kw_only=True)
class RecoverDocument:
    """What ``busprobe recover --json`` prints."""

    format: Literal["busprobe.recover/1"] = "busprobe.recover/1"
    moves: tuple[ReaddressDocument, ...]
    open: tuple[FinishedSteps, ...]
    unlocked: tuple[UnlockedUnit, ...]


def run(port: str, job_file: Path, cycled: bool, yes: bool, as_json: bool) -> ExitCode:
    """Do what ``busprobe recover`` is asked for."""
    with session_on_existing(port, job_file) as session:
        moves = BusMoves(session)
        found = moves.recover(report=output.say, unsettled=not cycled)
        if cycled:
            # What was cut off is among them, by now with an outcome that a power cycle can prove.
            proven = tuple(
                moves.verify_again(outcome, report=output.say) for outcome in moves.unproven()
            )
            found = (
                *(each for each in found if each.write not in {after.write for after in proven}),
                *proven,
            )
            for left in moves.unfinished_steps():
                if left.unlock is not None:
                    moves.power_cycled(left)
        if not as_json:
            for earlier in found:
                output.lines([f"From {earlier.move.source.words} to {earlier.move.target.words}:"])
                writes.show(earlier, as_json=False)
        finished: list[tuple[UnfinishedSteps, Outcome]] = []
        unlocked: list[UnfinishedSteps] = []
        for left in moves.unfinished_steps():
            if left.steps:
                finished.append((left, _finish(session, left, yes, as_json)))
            if left.unlock is not None:
                output.say(left.words)
                unlocked.append(left)
    if as_json:
        output.publish(
            RecoverDocument(
                moves=tuple(outcome.published for outcome in found),
                open=tuple(_finished(left, outcome) for left, outcome in finished),
                unlocked=tuple(_unlocked(left) for left in unlocked),
            )
        )
    elif not found and not finished and not unlocked:
        output.line("No move was cut off, and no procedure is open.")
    ended = (*found, *(outcome for _, outcome in finished))
    writes.say_later([o for o in ended if o.not_stored is not None], port, job_file)
    return max(writes.exit_code(ended), ExitCode.ATTENTION if unlocked else ExitCode.DONE)


def _finish(session: Session, left: UnfinishedSteps, yes: bool, as_json: bool) -> Outcome:
    output.say(left.words)
    try:
        outcome = BusMoves(session).finish(
            left, writes.confirmation(session, yes), report=output.say
        )
    except RefusedError as error:
        outcome = refusal(left.move, error)
    if not as_json:
        output.lines([f"{left.names.capitalize()} at {left.place.words}:"])
        writes.show(outcome, as_json=False)
    return outcome


def _unlocked(left: UnfinishedSteps) -> UnlockedUnit:
    return UnlockedUnit(
        **places(left.move),
        locks_itself_after_s=None if left.unlock is None else left.unlock.lasts_s,
        why=left.words,
    )


def _finished(left: UnfinishedSteps, outcome: Outcome) -> FinishedSteps:
    return FinishedSteps(
        **places(left.move),
        steps=tuple(step.role for step in left.steps),
        outcome=outcome.row_words,
        why=outcome.why,
        todo=outcome.todo,
    )

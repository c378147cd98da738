"""What all commands that write have in common: recovery first, the frame shown, a yes, the
outcome."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from subprocess import list2cmdline

from busprobe.cli import ending, output
from busprobe.cli.sessions import named_profile
from busprobe.errors import ExitCode, RefusedError, UsageError
from busprobe.job.journal import Result
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.batch import BatchEnd, BatchFinished, Begun, Checked, Ended
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.outcome import MoveDocument, Outcome, places
from busprobe.session.bus_kind import kind_word
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.survey.findings import Kind
from busprobe.text import hex_bytes

_EXIT = {
    Result.VERIFIED: ExitCode.DONE,
    Result.WAITING: ExitCode.ATTENTION,
    Result.NOT_VERIFIED: ExitCode.NOT_VERIFIED,
    Result.REFUSED: ExitCode.REFUSED,
}


def exit_code(outcomes: Iterable[Outcome]) -> ExitCode:
    """How a command ends: by the worst of its moves; one that the journal could not take counts as
    not verified."""
    codes = (
        _EXIT[outcome.result] if outcome.not_stored is None else ExitCode.NOT_VERIFIED
        for outcome in outcomes
    )
    return max(codes, default=ExitCode.DONE)


def recover(moves: BusMoves) -> None:
    """Look into moves that were under way when the program or the port last failed, and say what is
    true of them."""
    for earlier in moves.recover(report=output.say):
        source, target = earlier.move.source.words, earlier.move.target.words
        output.say(f"An earlier move from {source} to {target}: {earlier.word}. {earlier.why}")
        if earlier.todo:
            output.say(f"Next: {earlier.todo}")
    for left in moves.unfinished_steps():
        then = (
            "'busprobe recover' offers to send what is left."
            if left.steps
            else "Once it was switched off and on: 'busprobe recover --cycled'."
        )
        output.say(f"{left.words}  {then}")


def profile(
    session: Session, profile_id: str | None, address: int, settings: LineSettings
) -> Profile:
    """The profile that was named, or that of the unit at `address`, which is asked.

    Raises `RefusedError` unless one unit answers there, `UsageError` where it is not known how that
    one is set.
    """
    if profile_id is not None:
        return named_profile(session.store, profile_id)
    output.say(f"Asking the unit at {address} what it is.")
    asked = session.identify(Place(address, settings))
    if asked.examination.kind is not Kind.UNIT:
        raise RefusedError(
            f"Unit address {both_forms(address)} at {settings}: {asked.notes[0]}",
            means=(
                "Without one unit that answers alone, the outcome of a write cannot be verified."
            ),
            todo="Check power, wiring, address and line settings, or survey the pair.",
        )
    found = asked.profile
    if found is None:
        raise UsageError(
            f"The unit at address {address} is not recognised, so it is not known how it is set.",
            todo=(
                "Name its profile with --profile.  'busprobe readdress' takes the register of the"
                " address by hand."
            ),
        )
    return found


def confirmation(session: Session, yes: bool) -> Callable[[Prepared], bool]:
    """Show everything that will be sent, and ask for a yes unless that was given beforehand."""

    def confirmed(prepared: Prepared) -> bool:
        ending.release()
        output.say(f"{kind_word(practice=session.practice is True)}: this would be sent.")
        for step in prepared.steps:
            output.say(step.request.words)
            output.say(f"Bytes: {hex_bytes(step.request.frame)} at {step.place.settings}")
        output.say(prepared.expectation)
        output.say(prepared.target_words)
        for warning in prepared.warnings:
            output.say(f"Note: {warning}")
        output.say(f"If the unit is lost: {prepared.rescue}")
        agreed = yes or output.agreed("Send this write?")
        if agreed:
            ending.hold()
        return agreed

    return confirmed


def show(outcome: Outcome, *, as_json: bool) -> None:
    """Print what became of a move."""
    if as_json:
        output.document(outcome.document())
        return
    output.lines([f"{outcome.word}: {outcome.why}"])
    if outcome.todo:
        output.lines([f"Next: {outcome.todo}"])


def say_later(outcomes: Sequence[Outcome], port: str, job_file: Path) -> None:
    """Say what is to be done later and by which command: of moves that the journal could not take,
    and of a power cycle that was not made yet."""
    recover = ["busprobe", "recover", "--port", port, "--job", str(job_file)]
    for outcome in outcomes:
        if outcome.not_stored is not None:
            error, move = outcome.not_stored.error, outcome.move
            output.say(
                f"NOT STORED: from {move.source.words} to {move.target.words}: {outcome.word}."
                f"  {error.what} {error.todo}\nThen: {list2cmdline(recover)}"
            )
    if any(
        outcome.result in (Result.VERIFIED, Result.WAITING) and not outcome.power_cycled
        for outcome in outcomes
    ):
        output.say(f"After the power cycle: {list2cmdline([*recover, '--cycled'])}")


def show_plan(plan: MoveList) -> None:
    """Say what is going to be moved, in order, and what good practice has to say of it."""
    for number, words in enumerate(plan.words, 1):
        output.say(f"{number}. {words}")
    for remark in plan.remarks:
        output.say(f"Note: {remark}")


def carry_out(
    moves: BusMoves, session: Session, plan: MoveList, *, yes: bool, check: bool
) -> BatchFinished:
    """Make the moves of a plan, each with its own question; with `check`, power-cycle the units
    once at the end."""
    power_cycle = _power_cycle(session, yes) if check else lambda _: False
    for step in moves.carry_out(
        plan.moves, confirm=confirmation(session, yes), power_cycle=power_cycle, report=output.say
    ):
        match step:
            case Begun(move, number, of):
                output.say(
                    f"Move {number} of {of}: {move.name(move.source)} to {move.name(move.target)}."
                )
            case Ended(outcome) | Checked(outcome):
                ending.release()
                output.say(f"{outcome.word}: {outcome.why}")
            case BatchFinished():
                finished = step
    return finished


def nothing_written(plan: MoveList) -> BatchFinished:
    """What is told of a plan that was only shown."""
    return BatchFinished((), plan.moves, (), "The plan was only shown; nothing was written.")


@dataclass(frozen=True, kw_only=True)
class PlannedMove(MoveDocument):
    """A move of a plan, as documents have it."""

    words: str


@dataclass(frozen=True, kw_only=True)
class BatchDocument(BatchEnd):
    """What is printed of a plan that was shown or carried out."""

    format: str
    plan: tuple[PlannedMove, ...]
    remarks: tuple[str, ...]


def tell_batch(
    form: type[BatchDocument],
    plan: MoveList,
    finished: BatchFinished,
    port: str,
    job_file: Path,
    *,
    as_json: bool,
) -> ExitCode:
    """Say how a batch ended, what is left to do and where the journal is; the exit code that it
    ends with."""
    _show_batch(form, plan, finished, as_json=as_json)
    proven = (outcome for outcome in finished.outcomes if outcome not in finished.unchecked)
    stuck = (outcome for outcome in proven if outcome.not_stored is not None)
    say_later((*stuck, *finished.unchecked), port, job_file)
    output.say(f"The journal is in {job_file}.")
    code = _batch_exit(plan, finished)
    if finished.failure is not None and code < finished.failure.exit_code:
        raise finished.failure
    return code


def _show_batch(
    form: type[BatchDocument], plan: MoveList, finished: BatchFinished, *, as_json: bool
) -> None:
    """Print what became of a plan; `form` is the format of the document."""
    if as_json:
        planned = tuple(
            PlannedMove(**places(move), words=words)
            for move, words in zip(plan.moves, plan.words, strict=True)
        )
        output.publish(form(plan=planned, remarks=plan.remarks, **vars(finished.published)))
        return
    rows = []
    for move, words in zip(plan.moves, plan.words, strict=True):
        outcome = finished.outcome_of(move)
        rows.append(
            (words, "not begun", "")
            if outcome is None
            else (words, outcome.word, _proven(outcome, finished))
        )
    if rows:
        output.table(("Move", "Outcome", "Power cycle"), rows)
    for remark in plan.remarks:
        output.line(f"Note: {remark}")
    output.line(finished.why)
    for outcome in finished.outcomes:
        if outcome.result in (Result.NOT_VERIFIED, Result.REFUSED):
            show(outcome, as_json=False)


def _batch_exit(plan: MoveList, finished: BatchFinished) -> ExitCode:
    """How a command ends: by the worst of its moves."""
    rest = ExitCode.ATTENTION if finished.left or not plan.complete else ExitCode.DONE
    return max(exit_code(finished.outcomes), rest)


def _proven(outcome: Outcome, finished: BatchFinished) -> str:
    if outcome.power_cycled:
        return outcome.row_words
    return "not tested" if outcome in finished.unchecked else ""


def _power_cycle(session: Session, yes: bool) -> Callable[[tuple[Outcome, ...]], bool]:
    """Ask for one power cycle of all units; on a virtual segment its own hands do it, elsewhere
    only a person can."""

    def power_cycled(outcomes: Iterable[Outcome]) -> bool:
        for outcome in outcomes:
            move = outcome.move
            here = move.target if outcome.result is Result.VERIFIED else move.source
            output.say(f"To be switched off and on: {move.name(here)}")
        terminals = session.terminals
        if yes and terminals is None:
            output.say("Not checked: with --yes there is no power cycle to check after.")
            return False
        done = yes or output.agreed("Switch them off and on now.  Has that been done?")
        if done and terminals is not None:
            terminals.power_cycle()
        return done

    return power_cycled

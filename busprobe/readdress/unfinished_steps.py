"""Steps of a procedure that were never sent, or never acknowledged: told from the journal, and
prepared to be sent with the guards of a move and a confirmation of their own.

A program that is killed after the write of an address leaves a unit that forgets the address with
its supply, or that stays unlocked.  The whole procedure is on record from its first frame on, so
what is missing of it can be named and sent later.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from busprobe.errors import RefusedError
from busprobe.job.journal import ProcedureStep, Result, Role, Row, WriteRecord
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.readdress import guards
from busprobe.readdress.journal import move_of, recorded_moves
from busprobe.readdress.move import GENERAL_RESCUE, Prepared
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.verification import look_at_both
from busprobe.readdress.words import role_words
from busprobe.readdress.write_sequence import RESTART, Report
from busprobe.survey.close_look import CLOSE_LOOK
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Probe

_MISSING = {
    Role.SAVE: "the {what} is not stored for sure and may be lost with the supply",
    Role.RELOCK: "the unit may still be unlocked",
    Role.RESTORE: "register {register} holds what was meant for another, and not {held} as before",
}
"""What it means that a step is open."""

_EFFECT = {
    Role.SAVE: "store what it has now",
    Role.RELOCK: "be locked again",
    Role.RESTORE: "have in its register what it held before",
}
"""What the unit should do on a step."""

_SUPPLY_SEEN = (
    *(Row.KEPT, Row.KEPT_WITH_ANOTHER, Row.NOT_ACCEPTED, Row.NOT_KEPT, Row.STILL_PENDING),
    Row.POWER_CYCLED,
)
"""Outcomes that were told after a power cycle."""


@dataclass(frozen=True)
class UnfinishedSteps:
    """What is left of one procedure."""

    write: int
    """Number in the journal of its first write."""
    move: Move
    place: Place
    """Where the unit was when it was last told."""
    steps: tuple[ProcedureStep, ...]
    """Never sent or never acknowledged, in order."""
    unlock: ProcedureStep | None = None
    """The step that unlocked the unit, where no step of the procedure locks it again."""

    @property
    def names(self) -> str:
        """The steps by their names."""
        named = _names(self.move, self.steps)
        return ", ".join(filter(None, (named, "lock again" if self.unlock else "")))

    @property
    def words(self) -> str:
        """What is open and what that means, in one sentence."""
        means = [
            _MISSING[step.role].format(
                what=self.move.what, register=step.write.changed, held=step.write.value
            )
            for step in self.steps
        ]
        if self.unlock is not None:
            means.append(
                f"the unit was unlocked and no write is known that locks it: {self.closes}"
            )
        return f"Not done at {self.place.words}: {self.names}.  {_sentence('; '.join(means))}."

    @property
    def completing(self) -> bool:
        """Whether a save is among them that the unit waits for at its old place: with it the new
        one holds, or is stored for the next power cycle."""
        return self.place == self.move.source and any(s.role is Role.SAVE for s in self.steps)

    @property
    def closes(self) -> str:
        """What a unit does by itself that nothing locks again (a power cycle: common practice)."""
        if self.unlock is not None and self.unlock.lasts_s is not None:
            return f"it locks itself {self.unlock.lasts_s:g} s after that"
        return "it stays unlocked until it is switched off and on, or longer"


def unfinished_steps(
    writes: Sequence[WriteRecord], now: str | None = None
) -> tuple[UnfinishedSteps, ...]:
    """What is left of each procedure on record; a unit whose move is not looked into yet is left to
    the recovery.

    With `now`, a moment as the journal writes it, a unit that has locked itself by then counts as
    locked.
    """
    found = (_left_of(first, writes, now) for first in writes if first.planned)
    return tuple(left for left in found if left is not None and (left.steps or left.unlock))


def _left_of(
    first: WriteRecord, writes: Sequence[WriteRecord], now: str | None
) -> UnfinishedSteps | None:
    """What is left of the procedure that `first` began; None where that is not known, or settled
    since."""
    planned = next(step.write for step in first.planned if step.role.moves)
    made = replace(move_of(first), procedure=Procedure(planned.changed, planned.function))
    since = [write for write in writes if write.id >= first.id]
    mine = [w for w in since if (w.source, w.target) == (made.source, made.target)]
    if any(write.outcome is None for write in mine):
        return None
    main = next((write for write in mine if write.role.moves), None)
    verified = main is not None and main.outcome is Result.VERIFIED
    # Where the unit has nothing new in it, a save would store what was before.
    has_new = verified or (main is not None and main.outcome is Result.WAITING)
    place = made.target if verified else made.source
    later = (write for write in since if write.id > (main or first).id)
    if any(move.source == place for _, move in recorded_moves(later)):
        return None  # the unit was taken up again, with a whole procedure of its own
    done = {write.role for write in mine if write.outcome is Result.ACKNOWLEDGED}
    sent = {write.role for write in mine}

    def is_open(step: ProcedureStep) -> bool:
        if step.role.moves or step.role is Role.UNLOCK or step.role in done:
            return False
        if step.role is Role.SAVE:
            return has_new and not _kept(main)
        return Role.UNLOCK in sent

    steps = [*filter(is_open, first.planned)]
    if main is not None and Role.RESTORE not in done and main.row is Row.OTHER_REGISTER:
        steps += _restoring(main, place)
    unlocks = [
        step
        for step in first.planned
        if step.role is Role.UNLOCK
        and not any(other.role is Role.RELOCK for other in first.planned)
        and any(_is_unlocked(write, step, now) for write in mine if write.role is Role.UNLOCK)
        and not any(said.row in _SUPPLY_SEEN for write in mine for said in write.conclusions)
    ]
    return UnfinishedSteps(first.id, made, place, tuple(steps), next(iter(unlocks), None))


def _restoring(main: WriteRecord, place: Place) -> tuple[ProcedureStep, ...]:
    """The write that gives the register back what it held; none where that is not known."""
    if main.held is None:
        return ()
    return (ProcedureStep(Role.RESTORE, place, main.write.with_value(main.held)),)


def _is_unlocked(write: WriteRecord, step: ProcedureStep, now: str | None) -> bool:
    """Whether an unlock was acknowledged that still lasts, as far as is known."""
    if write.outcome is not Result.ACKNOWLEDGED:
        return False
    if now is None or step.lasts_s is None:
        return True
    passed = datetime.fromisoformat(now) - datetime.fromisoformat(write.intended)
    return passed.total_seconds() <= step.lasts_s


def _kept(main: WriteRecord | None) -> bool:
    """Whether a power cycle has shown since that the unit has stored what was written."""
    return main is not None and any(
        conclusion.row in (Row.KEPT, Row.KEPT_WITH_ANOTHER) for conclusion in main.conclusions
    )


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _names(move: Move, steps: Iterable[ProcedureStep]) -> str:
    return ", ".join(role_words(step.role, move.source, move.target) for step in steps)


def prepare_rest(
    line: Line,
    left: UnfinishedSteps,
    report: Report = lambda _: None,
    further: Sequence[Probe] = (),
) -> Prepared:
    """Find the unit and put together what may safely be sent to it; `further` probes are for one
    that may answer none of the usual ones.

    Raises `RefusedError` where not one unit alone answers at one of the two places of the move, or
    where nothing that is left makes sense for the place where it is; `PortError` if the port fails.
    """
    move = left.move
    if not left.steps:
        raise RefusedError(
            f"No write is known that locks the unit at {left.place.words}: {left.closes}.",
            todo="Switch it off and on, or lock it at the unit, and say that this was done.",
        )
    report("Listening for anybody else on the pair.")
    remarks = guards.check_quiet(line, move.source.settings)
    report(f"Looking for the unit at {move.source.words} and at {move.target.words}.")
    at_old, at_new = look_at_both(line, move, CLOSE_LOOK, patience=RESTART, further=further)
    match at_old.kind, at_new.kind:
        case Kind.SILENT, Kind.UNIT:
            place, silent = move.target, at_old
        case Kind.UNIT, Kind.SILENT:
            place, silent = move.source, at_new
        case _:
            raise RefusedError(
                f"At {move.source.words}: {at_old.kind}; at {move.target.words}: {at_new.kind}.",
                means="The remaining steps would reach no unit, or not this unit alone.",
                todo=(
                    "Survey the pair, and take units off until this one answers alone at one of the"
                    " two."
                ),
            )
    both = (move.source, move.target)
    completing = left.completing and place == move.source
    # A unit that fell back to its old place has nothing new to be stored; it is only to be locked.
    # One that waits for its save goes on from there as planned.
    steps = tuple(
        replace(step, place=place) if step.place in both and not completing else step
        for step in left.steps
        if completing or place == move.target or step.role in (Role.RELOCK, Role.RESTORE)
    )
    if not steps:
        raise RefusedError(
            f"The unit is at {place.words} again: the new {move.what} was not kept.",
            means="There is nothing new left in it that could be stored.",
            todo="Prepare the move again; it does every step from the start.",
        )
    reached = tuple(step.place for step in steps if step.place not in both)
    source = guards.check_source(line, place, further=further, reached=reached)
    return Prepared(
        move=move,
        steps=steps,
        source=source,
        target=silent,
        elsewhere=(),
        ways=guards.Ways(),
        reached=reached,
        expectation=_expectation(move, place, steps),
        cautions=(left.words,),
        doubts=(*remarks, *source.notes),
        rescue=GENERAL_RESCUE,
        first_write=left.write,
    )


def _expectation(move: Move, place: Place, steps: tuple[ProcedureStep, ...]) -> str:
    effects = " and ".join(_EFFECT[step.role] for step in steps)
    if place == move.source and any(step.role is Role.SAVE for step in steps):
        return (
            f"The unit should {effects}, and answer at {move.target.words} by then or after a power"
            " cycle."
        )
    return f"The unit should go on answering at {place.words}, and {effects}."

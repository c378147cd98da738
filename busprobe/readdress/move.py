"""One guarded move: prepared and shown, confirmed, on record, written once, and told by what answers afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from busprobe.errors import PortError, RefusedError
from busprobe.line.exchange import Echo, Waits
from busprobe.line.line import Line
from busprobe.modbus.replies import Reply, judge
from busprobe.profiles.changes import ReplyFrom
from busprobe.readdress import guards
from busprobe.readdress.journal import Journal
from busprobe.readdress.looking import astray, look
from busprobe.readdress.outcome import (
    Answer,
    Outcome,
    Result,
    Row,
    answer_of,
    refusal,
    row_after_power_cycle,
    row_after_write,
    sentences,
)
from busprobe.readdress.preparing import Prepared, Report, prepare
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.steps import MAIN, Step, journal_kind
from busprobe.survey.examine import CLOSE_LOOK, Examination
from busprobe.survey.findings import Kind

__all__ = ["Move", "Outcome", "Prepared", "Procedure", "Report", "Result", "Row", "execute", "prepare", "verify_again"]

WRITE_WAITS = Waits(reply=1.0, after=0.12)
"""The standard's typical response time for the write itself (V1.02 section 2.4.1), and time for a second reply."""

RESTART = 10.0
"""Seconds a unit may take to restart with a new address (common practice: 5 to 10)."""

POWER_UP = 30.0
"""Seconds after power comes back until a unit that does not answer counts as lost (common practice)."""


def execute(
    line: Line,
    prepared: Prepared,
    journal: Journal,
    confirm: Callable[[Prepared], bool],
    report: Report = lambda _: None,
) -> Outcome:
    """Ask `confirm`, look once more, write once, and tell the outcome by what answers at both addresses.

    The write's intent is on record before its bytes leave, its conclusion right after.  If the port fails in between,
    the outcome says so and the write stays open on record, for `busprobe.readdress.recovery`.  Raises `PortError` if
    the port fails before anything was written, and whatever the journal raises.
    """
    move = prepared.move
    frame = prepared.request.frame
    if not confirm(prepared):
        why, todo = sentences(move, Row.NOT_CONFIRMED)
        return Outcome(move, Row.NOT_CONFIRMED, why, todo, frame)
    report("Looking once more at both places.")
    try:
        # However short ago the guards passed: a unit may have been put on the pair meanwhile.  The source comes last,
        # so that a unit that dozes off between requests is awake for the write.
        guards.check_target(line, move.target, reply_wait=guards.SHORT_WAIT)
        guards.check_source(line, move, repeats=1)
    except RefusedError as error:
        return refusal(move, error, frame)
    run = _Run(line, prepared, journal, report)
    try:
        return run.carry_out()
    except PortError as error:
        why, todo = sentences(move, Row.PORT_FAILED, step=error.what)
        return Outcome(move, Row.PORT_FAILED, why, todo, frame, write=run.write)


def verify_again(
    line: Line,
    move: Move,
    *,
    before: Result,
    old_taken: bool = False,
    journal: Journal | None = None,
    write: int | None = None,
    report: Report = lambda _: None,
) -> Outcome:
    """Tell what answers after a power cycle; `before` is the result the move had ended with.

    `old_taken` says that another unit is known to be at the old place by now.  Waits up to `POWER_UP` seconds for
    somebody to answer.  With `journal` and the `write`'s number in it, the conclusion is added to the record.  Raises
    `PortError` if the port fails.
    """
    report("Looking at both places after the power cycle.")
    at_old, at_new = look(line, move, CLOSE_LOOK, patience=POWER_UP, old_taken=old_taken)
    row = row_after_power_cycle(before, at_old.kind, at_new.kind, old_taken=old_taken)
    outcome = told(line, move, row, at_old, at_new)
    outcome = replace(outcome, write=write, power_cycled=True)
    if journal is not None and write is not None:
        journal.conclude_write(write, outcome=str(outcome.result), reply=None, why=f"{row}: {outcome.why}")
    return outcome


def told(
    line: Line,
    move: Move,
    row: Row,
    at_old: Examination,
    at_new: Examination,
    *,
    request: bytes = b"",
    reply: Reply | None = None,
) -> Outcome:
    """The outcome of `row` in its words; a unit that answers at neither place is looked for elsewhere."""
    why, todo = sentences(
        move,
        row,
        at_old=at_old,
        at_new=at_new,
        exception=reply.exception if reply else None,
        elsewhere=astray(line, move) if row is Row.NEITHER else (),
    )
    received = reply.exchange.received if reply else b""
    return Outcome(move, row, why, todo, request, received or None, at_old, at_new)


class _Run:
    """The writing part of one move."""

    def __init__(self, line: Line, prepared: Prepared, journal: Journal, report: Report) -> None:
        self._line = line
        self._prepared = prepared
        self._move = prepared.move
        self._journal = journal
        self._report = report
        self._waits = replace(CLOSE_LOOK, reply=guards.known_wait(prepared.source))
        self._remarks: list[str] = []
        self.write: int | None = None
        """Number of the address write in the journal, once it is there."""

    def carry_out(self) -> Outcome:
        """Send the steps and tell the outcome."""
        move, how = self._move, self._move.procedure
        listed = self._prepared.steps
        at = next(index for index, step in enumerate(listed) if step.role in MAIN)
        for step in listed[:at]:
            if not self._further(step):
                why, todo = sentences(
                    move, Row.STEP_FAILED, step=f"{self._remarks[-1]} The {move.what} was not written."
                )
                return Outcome(move, Row.STEP_FAILED, why, todo, listed[at].request.frame)
        self._report(f"Writing the new {move.what}.")
        self.write, reply = self._send(listed[at])
        answer = Answer.UNCLEAR if self._is_echo(reply) else answer_of(reply, move.new)
        if answer in (Answer.FROM_OLD, Answer.FROM_NEW) or how.reply_from is ReplyFrom.NONE:
            for step in listed[at + 1 :]:
                if not (self._reaches(step) and self._further(step)):
                    break
        self._report(f"Looking who answers at the old and the new {move.what}.")
        at_old, at_new = look(self._line, move, self._waits, patience=RESTART)
        row = row_after_write(answer, at_old.kind, at_new.kind, effect=how.effect, reply_from=how.reply_from)
        outcome = told(self._line, move, row, at_old, at_new, request=listed[at].request.frame, reply=reply)
        outcome = replace(outcome, why=" ".join((outcome.why, *self._remarks)), write=self.write)
        self._journal.conclude_write(
            self.write, outcome=str(outcome.result), reply=outcome.reply, why=f"{outcome.row}: {outcome.why}"
        )
        return outcome

    def _further(self, step: Step) -> bool:
        """Send one of the further steps and record what became of it; whether it was acknowledged."""
        self._report(step.request.words)
        number, reply = self._send(step)
        received = reply.exchange.received or None
        if reply.sound:
            self._journal.conclude_write(number, outcome="acknowledged", reply=received, why=reply.words)
            return True
        self._remarks.append(f"The step '{step.role}' was not acknowledged: {reply.words}.")
        self._journal.conclude_write(number, outcome="not acknowledged", reply=received, why=reply.words)
        return False

    def _send(self, step: Step) -> tuple[int, Reply]:
        """Put the intent on record, send the frame once, and give the unit its time."""
        move, line = self._move, self._line
        line.apply(step.place.settings)
        number = self._journal.intend_write(
            kind=journal_kind(step.role, move),
            from_address=move.old,
            to_address=move.new,
            settings=str(move.settings),
            request=step.request.frame,
            words=step.request.words,
        )
        if step.role in MAIN:
            self.write = number  # known even if the port fails in the next line
        reply = judge(step.request, line.exchange(step.request, WRITE_WAITS))
        line.clock.sleep_until(line.clock.now() + move.procedure.wait)
        return number, reply

    def _is_echo(self, reply: Reply) -> bool:
        """Whether an adapter that echoed before may have echoed what now looks like the reply to function 6."""
        looks = (*self._prepared.source.replies, *self._prepared.target.replies)
        echoing = any(earlier.exchange.echo is Echo.FULL for earlier in looks)
        return echoing and reply.request.mirrored and reply.exchange.echo is Echo.NONE

    def _reaches(self, step: Step) -> bool:
        """Whether the unit, and it alone, is where a further step would be sent."""
        at_old, at_new = look(self._line, self._move, self._waits, patience=RESTART)
        there, other = (at_old, at_new) if step.place == self._move.source else (at_new, at_old)
        if there.kind is Kind.UNIT and other.kind is Kind.SILENT:
            return True
        self._remarks.append(
            f"The step '{step.role}' was not sent, since the unit does not answer alone at {step.place.words}."
        )
        return False

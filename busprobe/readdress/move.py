"""One guarded move: prepared and shown, confirmed, on record, written once, and told by what
answers afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from threading import Event as StopFlag

from busprobe.errors import PortError, RefusedError
from busprobe.line.exchange import Echo
from busprobe.line.line import Line
from busprobe.modbus.replies import Reply
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
    ended,
    refusal,
    row_after_power_cycle,
    row_after_write,
    sentences,
)
from busprobe.readdress.preparing import Prepared, Report, prepare
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.sending import RESTART, Sender
from busprobe.readdress.steps import MAIN
from busprobe.survey.close_look import CLOSE_LOOK, Examination

__all__ = [
    "Move",
    "Outcome",
    "Prepared",
    "Procedure",
    "Report",
    "Result",
    "Row",
    "execute",
    "prepare",
    "verify_again",
]

POWER_UP = 30.0
"""Seconds after power comes back until a unit that does not answer counts as lost (common
practice)."""


def execute(
    line: Line,
    prepared: Prepared,
    journal: Journal,
    confirm: Callable[[Prepared], bool],
    report: Report = lambda _: None,
    stop: StopFlag | None = None,
) -> Outcome:
    """Ask `confirm`, look once more, write once, and tell the outcome by what answers at both
    addresses.

    The write's intent is on record before its bytes leave, its conclusion right after.  If the port
    fails in between, the outcome says so and the write stays open on record, for
    `busprobe.readdress.recovery`.  Raises `PortError` if the port fails before anything was
    written, `StoppedError` if `stop` is set before (afterwards it changes nothing, since what
    became of a write has to be told), and whatever the journal raises.
    """
    move = prepared.move
    frame = prepared.request.frame
    if not confirm(prepared):
        return ended(move, Row.NOT_CONFIRMED, request=frame)
    report("Looking once more at both places.")
    try:
        # However short ago the guards passed: a unit may have been put on the pair meanwhile.  The
        # source comes last, so that a unit that dozes off between requests is awake for the write.
        with line.stopped_by(stop):
            guards.check_target(line, move.target, reply_wait=guards.SHORT_WAIT)
            guards.check_source(line, move.source, repeats=1)
    except RefusedError as error:
        return refusal(move, error, frame)
    sender = Sender(
        line,
        prepared,
        replace(CLOSE_LOOK, reply=guards.known_wait(prepared.source)),
        journal,
        report,
    )
    try:
        return _written(line, prepared, sender, journal, report)
    except PortError as error:
        return ended(move, Row.PORT_FAILED, step=error.what, request=frame, write=sender.write)


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

    `old_taken` says that another unit is known to be at the old place by now.  Waits up to
    `POWER_UP` seconds for somebody to answer.  With `journal` and the `write`'s number in it, the
    conclusion is added to the record.  Raises `PortError` if the port fails.
    """
    report(
        f"Looking at {move.name(move.source)} and at {move.name(move.target)} after the power"
        " cycle."
    )
    at_old, at_new = look(line, move, CLOSE_LOOK, patience=POWER_UP, old_taken=old_taken)
    row = row_after_power_cycle(before, at_old.kind, at_new.kind, old_taken=old_taken)
    outcome = told(line, move, row, at_old, at_new)
    outcome = replace(outcome, write=write, power_cycled=True)
    if journal is not None and write is not None:
        journal.conclude_write(
            write, outcome=str(outcome.result), reply=None, why=f"{row}: {outcome.why}"
        )
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
    """The outcome of `row` in its words; a unit that answers at neither place is looked for
    elsewhere."""
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


def _written(
    line: Line, prepared: Prepared, sender: Sender, journal: Journal, report: Report
) -> Outcome:
    """Send the steps and tell the outcome."""
    move, how, listed = prepared.move, prepared.move.procedure, prepared.steps
    at = next(index for index, step in enumerate(listed) if step.role in MAIN)
    frame = prepared.request.frame
    for step in listed[:at]:
        if not sender.further(step):
            said = f"{sender.remarks[-1]} The {move.what} was not written."
            return ended(move, Row.STEP_FAILED, step=said, request=frame)
    report(f"Writing the new {move.what}.")
    write, reply = sender.send(listed[at])
    answer = Answer.UNCLEAR if _is_echo(prepared, reply) else answer_of(reply, move.new)
    if answer in (Answer.FROM_OLD, Answer.FROM_NEW) or how.reply_from is ReplyFrom.NONE:
        for step in listed[at + 1 :]:
            if not (sender.reaches(step) and sender.further(step)):
                break
    report(f"Looking who answers at the old and the new {move.what}.")
    at_old, at_new = look(line, move, sender.waits, patience=RESTART)
    row = row_after_write(
        answer, at_old.kind, at_new.kind, effect=how.effect, reply_from=how.reply_from
    )
    outcome = told(line, move, row, at_old, at_new, request=frame, reply=reply)
    outcome = replace(outcome, why=" ".join((outcome.why, *sender.remarks)), write=write)
    journal.conclude_write(
        write, outcome=str(outcome.result), reply=outcome.reply, why=f"{outcome.row}: {outcome.why}"
    )
    return outcome


def _is_echo(prepared: Prepared, reply: Reply) -> bool:
    """Whether an adapter that echoed before may have echoed what now looks like the reply to
    function 6."""
    looks = (*prepared.source.replies, *prepared.target.replies)
    echoing = any(earlier.exchange.echo is Echo.FULL for earlier in looks)
    return echoing and reply.request.mirrored and reply.exchange.echo is Echo.NONE

"""What is left of a procedure, sent with the guards of a move and a confirmation of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from threading import Event as StopFlag

from busprobe.errors import PortError, RefusedError
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.readdress import guards
from busprobe.readdress.journal import Journal
from busprobe.readdress.looking import look
from busprobe.readdress.open_steps import OpenSteps
from busprobe.readdress.outcome import Outcome, Row, ended
from busprobe.readdress.preparing import GENERAL_RESCUE, Prepared, Report
from busprobe.readdress.sending import RESTART, Sender
from busprobe.readdress.steps import Role, Step
from busprobe.survey.close_look import CLOSE_LOOK
from busprobe.survey.findings import Kind

_EFFECT = {Role.SAVE: "store what it has now", Role.RELOCK: "be locked again"}
"""What the unit should do on a step."""


def prepare_rest(line: Line, left: OpenSteps, report: Report = lambda _: None) -> Prepared:
    """Find the unit and put together what may safely be sent to it.

    Raises `RefusedError` where not one unit alone answers at one of the two places of the move, or
    where nothing that is left makes sense for the place where it is; `PortError` if the port fails.
    """
    move = left.move
    line.apply(move.settings)
    report("Listening for anybody else on the pair.")
    remarks = guards.check_quiet(line)
    report(f"Looking for the unit at {move.source.words} and at {move.target.words}.")
    at_old, at_new = look(line, move, CLOSE_LOOK, patience=RESTART)
    match at_old.kind, at_new.kind:
        case Kind.SILENT, Kind.UNIT:
            place, silent = move.target, at_old
        case Kind.UNIT, Kind.SILENT:
            place, silent = move.source, at_new
        case _:
            raise RefusedError(
                f"At {move.source.words}: {at_old.kind}; at {move.target.words}: {at_new.kind}.",
                means="What is left of the procedure would reach nobody, or not this unit alone.",
                todo=(
                    "Survey the pair, and take units off until this one answers alone at one of the"
                    " two."
                ),
            )
    source = guards.check_source(line, place)
    # Back at its old place the unit has nothing new to be stored; it is only to be locked.
    steps = tuple(
        replace(step, place=place)
        for step in left.steps
        if place == move.target or step.role is Role.RELOCK
    )
    if not steps:
        raise RefusedError(
            f"The unit is at {place.words} again: the new {move.what} was not kept.",
            means="There is nothing new left in it that could be stored.",
            todo="Prepare the move again; it does every step from the start.",
        )
    return Prepared(
        move=move,
        steps=steps,
        source=source,
        target=silent,
        expectation=_expectation(place, steps),
        cautions=(left.words,),
        doubts=(*remarks, *source.notes),
        rescue=GENERAL_RESCUE,
    )


def send_rest(
    line: Line,
    prepared: Prepared,
    journal: Journal,
    confirm: Callable[[Prepared], bool],
    report: Report = lambda _: None,
    stop: StopFlag | None = None,
) -> Outcome:
    """Ask `confirm`, look once more, send each step once; a step that is not acknowledged ends it.

    Raises as `busprobe.readdress.move.execute` does.  The outcome is that of the procedure, not of
    the move: where the unit is does not change.
    """
    move, place = prepared.move, prepared.steps[0].place
    if not confirm(prepared):
        return ended(move, Row.NOT_CONFIRMED)
    report("Looking once more at both places.")
    with line.stopped_by(stop):
        guards.check_source(line, place, repeats=1)
    sender = Sender(
        line,
        prepared,
        replace(CLOSE_LOOK, reply=guards.known_wait(prepared.source)),
        journal,
        report,
    )
    try:
        for step in prepared.steps:
            if not (sender.reaches(step) and sender.further(step)):
                break
        answers = sender.reaches(prepared.steps[-1])
    except PortError as error:
        return ended(move, Row.PORT_FAILED, step=error.what)
    row = Row.FINISHED if answers and not sender.remarks else Row.NOT_FINISHED
    names = ", ".join(step.role for step in prepared.steps)
    said = " ".join(sender.remarks) or f"{names}.  The unit answers alone at {place.words}."
    return ended(move, row, step=said)


def _expectation(place: Place, steps: tuple[Step, ...]) -> str:
    effects = " and ".join(_EFFECT[step.role] for step in steps)
    return f"The unit should go on answering at {place.words}, and {effects}."

"""After a crash, a pulled adapter or a power cut: which move was under way, and what is true now.

A write whose intent is on record without a conclusion may have been sent or not; of one whose unit
answered nowhere, or not clearly, it is not known where that is.  Both places are asked, and the
register where it can be read; what answers is all that is said; nothing is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import groupby

from busprobe.job.journal import Result, Row, WriteRecord
from busprobe.line.line import Line
from busprobe.readdress.journal import Journal, concluded, recorded_outcome
from busprobe.readdress.move import outcome_seen, what_register_tells
from busprobe.readdress.outcome import Outcome, WriteAnswer, row_after_write
from busprobe.readdress.procedure import Move
from busprobe.readdress.verification import look_at_both
from busprobe.readdress.write_sequence import RESTART, WRITE_WAITS, Report
from busprobe.survey.close_look import CLOSE_LOOK
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Probe


def recover(
    line: Line,
    unsettled: Iterable[WriteRecord],
    journal: Journal,
    report: Report = lambda _: None,
    in_full: Callable[[Outcome], Outcome] = lambda sent: sent,
    own: Callable[[Move], Sequence[Probe]] = lambda _: (),
) -> tuple[Outcome, ...]:
    """Look into every write of which the end is not known and conclude it on record; one outcome
    for each move, in order.

    The writes of one move (unlock, address, save) are looked into together.  `in_full` completes
    what one write of the journal says of its move, `own` are the probes that the unit of a move
    answers if it answers none of the usual ones.  Raises `PortError` if the port fails;
    what was not concluded by then stays open.
    """
    outcomes = []
    for _, group in groupby(
        sorted(unsettled, key=lambda write: write.id), key=lambda write: write.move
    ):
        writes = tuple(group)
        # What is asked is the same for all of them; the frame worth showing is the one that changes
        # the address.
        main = next((write for write in writes if write.role.moves), writes[0])
        if main.outcome is None:
            report(f"Write {main.id} was under way when the program ended: {main.words}")
        elif main.outcome is Result.VERIFIED:
            report(f"List and journal do not agree on where the unit of write {main.id} is.")
        else:
            report(f"The outcome of write {main.id} is not known for certain: {main.words}")
        was_there = any(said.outcome is Result.VERIFIED for said in main.conclusions)
        sent = in_full(recorded_outcome(main))
        outcome = _asked(line, sent, own(sent.move), was_there=was_there)
        outcomes.append(concluded(journal, outcome, [write.id for write in writes]))
    return tuple(outcomes)


def ask_again(line: Line, lost: Outcome, journal: Journal) -> Outcome:
    """Ask both places for a unit that was not found right after its write, and add what answers to
    the record; raises `PortError` if the port fails."""
    return concluded(journal, _asked(line, lost, ()), () if lost.write is None else (lost.write,))


def _asked(line: Line, sent: Outcome, own: Sequence[Probe], *, was_there: bool = False) -> Outcome:
    """What answers now at both places of a move; `was_there` says that its unit was seen at the new
    one before."""
    move = sent.move
    line.apply(move.source.settings)
    line.listen(WRITE_WAITS.reply)  # the reply to what was sent last may still be on its way
    at_old, at_new = look_at_both(line, move, CLOSE_LOOK, patience=RESTART, further=own)
    register, holds = what_register_tells(line, sent, at_old, at_new, CLOSE_LOOK)
    row = row_after_write(
        WriteAnswer.UNKNOWN,
        at_old.kind,
        at_new.kind,
        effect=move.procedure.effect,
        register=register,
    )
    if was_there and (at_old.kind, at_new.kind) == (Kind.UNIT, Kind.SILENT):
        row = Row.NOT_KEPT
    return replace(outcome_seen(line, sent, row, at_old, at_new, holds=holds), from_record=True)

"""After a crash, a pulled adapter or a power cut: which move was under way, and what is true now.

A write whose intent is on record without a conclusion may have been sent or not.  Both addresses
are asked, and what answers is all that is said; nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby

from busprobe.job.journal import WriteRecord
from busprobe.line.line import Line
from busprobe.readdress.journal import Journal, move_of
from busprobe.readdress.move import outcome_seen
from busprobe.readdress.outcome import Outcome, WriteAnswer, row_after_write
from busprobe.readdress.verification import look_at_both
from busprobe.readdress.write_sequence import RESTART, WRITE_WAITS, Report
from busprobe.survey.close_look import CLOSE_LOOK


def recover(
    line: Line,
    unfinished: Iterable[WriteRecord],
    journal: Journal,
    report: Report = lambda _: None,
) -> tuple[Outcome, ...]:
    """Look into every unfinished write and conclude it on record; one outcome for each move, in
    order.

    The writes of one move (unlock, address, save) are looked into together.  Raises `PortError` if
    the port fails; what was not concluded by then stays open.
    """
    outcomes = []
    for _, group in groupby(
        sorted(unfinished, key=lambda write: write.id), key=lambda write: write.move
    ):
        writes = tuple(group)
        # What is asked is the same for all of them; the frame worth showing is the one that changes
        # the address.
        main = next((write for write in writes if write.role.moves), writes[0])
        report(f"Write {main.id} was under way when the program ended: {main.words}")
        outcome = _looked_into(line, main)
        journal.conclude_move(outcome, [write.id for write in writes])
        outcomes.append(outcome)
    return tuple(outcomes)


def _looked_into(line: Line, write: WriteRecord) -> Outcome:
    move = move_of(write)
    line.apply(move.source.settings)
    line.listen(WRITE_WAITS.reply)  # the reply to what was sent last may still be on its way
    at_old, at_new = look_at_both(line, move, CLOSE_LOOK, patience=RESTART)
    row = row_after_write(WriteAnswer.UNKNOWN, at_old.kind, at_new.kind)
    return replace(
        outcome_seen(line, move, row, at_old, at_new, request=write.request),
        write=write.id,
        from_record=True,
    )

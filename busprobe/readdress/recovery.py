"""After a crash, a pulled adapter or a power cut: which move was under way, and what is true now.

A write whose intent is on record without a conclusion may have been sent or not.  Both addresses are asked, and what
answers is all that is said; nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby

from busprobe.errors import UsageError
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.journal import Journal, WriteOnRecord
from busprobe.readdress.looking import look
from busprobe.readdress.move import RESTART, WRITE_WAITS, told
from busprobe.readdress.outcome import Answer, Outcome, row_after_write
from busprobe.readdress.preparing import Report
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.steps import MAIN, new_settings_of
from busprobe.survey.examine import CLOSE_LOOK


def move_on_record(write: WriteOnRecord) -> Move:
    """The move that a write belonged to; raises `UsageError` if the record is not of a move.

    The procedure is what the frame itself says: register and function code.
    """
    if write.from_address is None or write.to_address is None or len(write.request) < 6:
        raise UsageError(
            f"Write {write.id} in the journal ({write.kind}) is not a move from one address to another.",
            todo="Look at what it was for and check the unit by hand.",
        )
    procedure = Procedure(int.from_bytes(write.request[2:4], "big"), Function(write.request[1]))
    return Move(
        LineSettings.parse(write.settings),
        write.from_address,
        write.to_address,
        procedure,
        new_settings_of(write.kind),
    )


def recover(
    line: Line, unfinished: Iterable[WriteOnRecord], journal: Journal, report: Report = lambda _: None
) -> tuple[Outcome, ...]:
    """Look into every unfinished write and conclude it on record; one outcome for each move, in order.

    The writes of one move (unlock, address, save) are looked into together.  Raises `PortError` if the port fails;
    what was not concluded by then stays open.
    """
    outcomes = []
    for _, group in groupby(sorted(unfinished, key=lambda write: write.id), key=_of_one_move):
        writes = tuple(group)
        # What is asked is the same for all of them; the frame worth showing is the one that changes the address.
        main = next((write for write in writes if write.kind.startswith(MAIN)), writes[0])
        report(f"Write {main.id} was under way when the program ended: {main.words}")
        outcome = _looked_into(line, main)
        for write in writes:
            journal.conclude_write(
                write.id, outcome=str(outcome.result), reply=None, why=f"{outcome.row}: {outcome.why}"
            )
        outcomes.append(outcome)
    return tuple(outcomes)


def _of_one_move(write: WriteOnRecord) -> tuple[int | None, int | None, str, LineSettings | None]:
    return write.from_address, write.to_address, write.settings, new_settings_of(write.kind)


def _looked_into(line: Line, write: WriteOnRecord) -> Outcome:
    move = move_on_record(write)
    line.apply(move.settings)
    line.listen(WRITE_WAITS.reply)  # the reply to what was sent last may still be on its way
    at_old, at_new = look(line, move, CLOSE_LOOK, patience=RESTART)
    row = row_after_write(Answer.UNKNOWN, at_old.kind, at_new.kind)
    return replace(told(line, move, row, at_old, at_new, request=write.request), write=write.id)

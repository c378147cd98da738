"""Moves read back from the journal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.journal import WriteOnRecord
from busprobe.readdress.outcome import Result
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.steps import MAIN, new_settings_of

Write = TypeVar("Write", bound=WriteOnRecord)


def move_on_record(write: WriteOnRecord) -> Move:
    """The move that a write belonged to; raises `UsageError` if the record is not of a move.

    The procedure is what the frame itself says: register and function code.
    """
    if write.from_address is None or write.to_address is None or len(write.request) < 6:
        raise UsageError(
            f"Write {write.id} in the journal ({write.kind}) is not a move from one address to"
            " another.",
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


def moves_on_record(writes: Iterable[Write]) -> Iterator[tuple[Write, Move]]:
    """The writes that moves are about, each with its move; further steps (unlock, save) are passed
    over."""
    return ((write, move_on_record(write)) for write in writes if write.kind.startswith(MAIN))


def verified_after(
    writes: Iterable[WriteOnRecord], number: int
) -> Iterator[tuple[WriteOnRecord, Move]]:
    """Moves that were made for sure after the write of that number."""
    later = (write for write in writes if write.id > number and write.outcome == Result.VERIFIED)
    return moves_on_record(later)


def of_one_move(write: WriteOnRecord) -> tuple[int | None, int | None, str, LineSettings | None]:
    """What the writes of one move (unlock, address, save) have in common."""
    return write.from_address, write.to_address, write.settings, new_settings_of(write.kind)

"""The reverse of a move on record; it has to pass the same guards as any move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.errors import RefusedError, UsageError
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.requests import Function
from busprobe.profiles.schema import Profile
from busprobe.readdress.journal import WriteOnRecord
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.outcome import Result
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.recorded import move_on_record, of_one_move, verified_after
from busprobe.readdress.steps import MAIN


def move_to_undo(writes: Sequence[WriteOnRecord], number: int) -> tuple[WriteOnRecord, Move]:
    """The write of that number in the journal, and the move it made.

    Raises `UsageError` if it is no move, `RefusedError` if it has not happened for sure or was
    built upon since.
    """
    write = next((write for write in writes if write.id == number), None)
    if write is None:
        raise UsageError(
            f"The journal has no write {number}.", todo="'busprobe journal' lists them all."
        )
    if not write.kind.startswith(MAIN):
        mains = [
            w.id for w in writes if w.kind.startswith(MAIN) and of_one_move(w) == of_one_move(write)
        ]
        nearest = f": write {min(mains, key=lambda main: abs(main - number))}" if mains else ""
        raise UsageError(
            f"Write {number} is the step '{write.kind}' of a move and not the move itself.",
            todo=f"Undo the write of the address or line setting that it belongs to{nearest}.",
        )
    if write.outcome != Result.VERIFIED:
        raise RefusedError(
            f"Write {number} ended '{write.outcome or 'not known'}', so there is nothing sure to be"
            " undone.",
            todo="Survey both its places; then move the unit from where it is.",
        )
    made = move_on_record(write)
    place, last = made.target, number
    for later, move in verified_after(writes, number):
        if move.source == place:
            place, last = move.target, later.id
    if place == made.source:
        raise RefusedError(
            f"Write {number} is undone already, by write {last}.", todo="Nothing has to be written."
        )
    if place != made.target:
        raise RefusedError(
            f"The unit of write {number} was moved on by write {last}; it is at {place.words} now.",
            means="Who answers where it was then is another unit.",
            todo=f"Undo write {last} first.",
        )
    return write, made


def reverse(write: WriteOnRecord, move: Move, profile: Profile | None) -> Move:
    """The move back, by the profile or, where the register holds nothing but the address, by what
    was written."""
    back = move.reversed()
    if move.new_settings is not None:
        if profile is None:
            raise RefusedError(
                f"It is not known which code stands for {move.settings} in the unit at"
                f" {both_forms(move.new)}.",
                todo="Identify the unit, or name its profile.",
            )
        return change_of_settings(profile, move.target, move.settings)
    if profile is not None:
        return replace(back, procedure=Procedure.from_profile(profile))
    value = (
        write.request[4:6]
        if write.request[1] == Function.WRITE_SINGLE_REGISTER
        else write.request[7:9]
    )
    if int.from_bytes(value, "big") != move.new:
        raise RefusedError(
            f"Write {write.id} wrote 0x{value.hex().upper()}: the register holds more than the unit"
            " address.",
            means="Writing the old address alone would change the rest of it.",
            todo="Identify the unit, or name its profile.",
        )
    return back

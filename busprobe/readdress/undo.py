"""The reverse of a move on record; it has to pass the same guards as any move."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.errors import RefusedError, UsageError
from busprobe.job.journal import Result, Role, WriteRecord
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress.journal import move_of, verified_after
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.words import RESULT_WORDS, write_words


def move_to_undo(writes: Sequence[WriteRecord], number: int) -> tuple[WriteRecord, Move]:
    """The write of that number in the journal, and the move it made.

    Raises `UsageError` if it is no move, `RefusedError` if it has not happened for sure or was
    built upon since.
    """
    write = next((write for write in writes if write.id == number), None)
    if write is None:
        raise UsageError(
            f"The journal has no write {number}.", todo="'busprobe journal' lists them all."
        )
    if not write.role.moves:
        main = next((w.id for w in writes if w.role.moves and w.move == write.move), None)
        which = "" if main is None else f": write {main}"
        raise UsageError(
            f"Write {number} is the step '{write_words(write)}' of a move and not the move itself.",
            todo=f"Undo the write of the address or line setting that it belongs to{which}.",
        )
    if write.outcome is not Result.VERIFIED:
        end = "not known" if write.outcome is None else RESULT_WORDS[write.outcome]
        raise RefusedError(
            f"Write {number} ended '{end}', so there is nothing sure to be undone.",
            todo="Survey both its places; then move the unit from where it is.",
        )
    made = move_of(write)
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


def reverse(write: WriteRecord, move: Move, profile: Profile | None) -> Move:
    """The move back, by the profile or, where the register holds nothing but the address, by what
    was written."""
    back = move.reversed()
    if move.changes_settings:
        if profile is None:
            raise RefusedError(
                f"It is not known which code stands for {move.source.settings} in the unit at"
                f" {both_forms(move.target.address)}.",
                todo="Identify the unit, or name its profile.",
            )
        back = change_of_settings(profile, move.target, move.source.settings)
        return replace(back, purpose=Role.UNDO)
    if profile is not None:
        return replace(back, procedure=Procedure.from_profile(profile))
    if write.write.values != (move.target.address,):
        wrote = ", ".join(f"0x{value:04X}" for value in write.write.values)
        raise RefusedError(
            f"Write {write.id} wrote {wrote}, which holds more than the unit address.",
            means="Writing the old address alone would change the rest of it.",
            todo="Identify the unit, or name its profile.",
        )
    return back

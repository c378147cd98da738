"""What the journal says of the moves of each unit on the as-built list."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busprobe.job.records import UnitRecord, WriteRecord
from busprobe.readdress.outcome import Outcome, Result, Row
from busprobe.readdress.recorded import move_on_record, moves_on_record


def latest_move(unit: UnitRecord, writes: Iterable[WriteRecord]) -> WriteRecord | None:
    """The write that brought `unit` to its place or was last tried on it; None if it was never
    moved.

    One that was verified once and not after a power cycle belongs to the unit wherever the list has
    it.
    """
    mine = None
    for write, move in moves_on_record(writes):
        if write.outcome == Result.VERIFIED:
            places = {move.target}
        elif any(conclusion.outcome == Result.VERIFIED for conclusion in write.conclusions):
            places = {move.target, move.source}
        else:
            places = {move.source}
        if unit.place in places:
            mine = write
    return mine


def outcome_on_record(write: WriteRecord) -> Outcome:
    """The outcome to go on from after a power cycle; raises `UsageError` if the record is not of a
    move."""
    row = Row.CHANGED if write.outcome == Result.VERIFIED else Row.PENDING
    return Outcome(move_on_record(write), row, "", "", write.request, write=write.id)


def unproven(units: Iterable[UnitRecord], writes: Sequence[WriteRecord]) -> tuple[Outcome, ...]:
    """Moves that took effect, or wait to, and that no power cycle has proven yet."""
    found = []
    for unit in units:
        write = latest_move(unit, writes)
        if write is None:
            continue
        waits = write.outcome == Result.WAITING
        if waits or (write.outcome == Result.VERIFIED and not unit.power_cycle_verified):
            found.append(outcome_on_record(write))
    return tuple(found)

"""The journal as moves use it: what they ask of whoever keeps it, and what it says of them
afterwards."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from enum import Enum, auto
from typing import Protocol

from busprobe.errors import FileError
from busprobe.job.journal import Result, Role, Row, WriteIntent, WriteRecord
from busprobe.job.records import UnitRecord
from busprobe.readdress.claims import claims, to_be_checked
from busprobe.readdress.outcome import NotStored, Outcome
from busprobe.readdress.procedure import Move, Procedure


class Journal(Protocol):
    """A record of writes that survives a crash at any moment."""

    def intend_write(self, intent: WriteIntent, /) -> int:
        """Note a write that is about to be sent; return its number once that is safe on disk."""
        ...

    def conclude_write(
        self, write: int, outcome: Result, /, *, reply: bytes | None, why: str
    ) -> None:
        """Note what became of a step before or after the move itself."""
        ...

    def conclude_move(self, outcome: Outcome, writes: Sequence[int], /) -> None:
        """Note with these of its writes what became of a move, together with what follows for the
        unit."""
        ...


def concluded(journal: Journal, outcome: Outcome, writes: Sequence[int]) -> Outcome:
    """`outcome`, on record with these writes; where the journal cannot take it, it says so itself,
    since what was seen must not be lost with the disk."""
    try:
        journal.conclude_move(outcome, writes)
    except FileError as error:
        return replace(outcome, not_stored=NotStored(tuple(writes), error))
    return replace(outcome, not_stored=None)


def move_of(write: WriteRecord) -> Move:
    """The move that a write belonged to; of the procedure only register and function code are
    known."""
    procedure = Procedure(write.write.changed, write.write.function)
    purpose = write.role if write.role in (Role.ASIDE, Role.UNDO) else None
    return Move(write.source, write.target, procedure, purpose)


def recorded_moves(writes: Iterable[WriteRecord]) -> Iterator[tuple[WriteRecord, Move]]:
    """The writes that moves are about, each with its move; further steps (unlock, save) are passed
    over."""
    return ((write, move_of(write)) for write in writes if write.role.moves)


def verified_after(
    writes: Iterable[WriteRecord], number: int
) -> Iterator[tuple[WriteRecord, Move]]:
    """Moves that were made for sure after the write of that number."""
    later = (write for write in writes if write.id > number and write.outcome is Result.VERIFIED)
    return recorded_moves(later)


def latest_move(unit: UnitRecord, writes: Iterable[WriteRecord]) -> WriteRecord | None:
    """The write that brought `unit` to its place or was last tried on it; None if it was never
    moved.

    One that was verified once and not after a power cycle belongs to the unit wherever the list has
    it.
    """
    mine = None
    for write, move in recorded_moves(writes):
        if write.outcome is Result.VERIFIED:
            places = {move.target}
        elif any(conclusion.outcome is Result.VERIFIED for conclusion in write.conclusions):
            places = {move.target, move.source}
        else:
            places = {move.source}
        if unit.place in places:
            mine = write
    return mine


def left_behind(unit: UnitRecord | None, write: WriteRecord) -> bool:
    """Whether the entry at the old place of a move is still that of the unit which had gone: not
    heard there since it was verified at the new one."""
    gone = next((s.made for s in write.conclusions if s.outcome is Result.VERIFIED), None)
    return unit is not None and unit.single and gone is not None and (unit.seen or "") < gone


def at_odds(units: Iterable[UnitRecord], writes: Iterable[WriteRecord]) -> tuple[WriteRecord, ...]:
    """Writes whose unit the list has elsewhere than the journal says.

    Both change together; programs up to version 3 of the job file could be killed in between.
    """
    listed = {unit.place: unit for unit in units}

    def odd(write: WriteRecord) -> bool:
        at_old, at_new = listed.get(write.source), listed.get(write.target)
        if write.outcome is Result.VERIFIED:
            return left_behind(at_old, write)
        stayed = at_new is not None and (at_new.seen or "") < write.conclusions[-1].made
        return write.row is Row.NOT_KEPT and at_old is None and stayed

    return tuple(write for write, _ in recorded_moves(writes) if write.conclusions and odd(write))


def to_be_looked_into(
    units: Iterable[UnitRecord], writes: Sequence[WriteRecord]
) -> tuple[WriteRecord, ...]:
    """Writes under way when the program or the port last failed, and those at odds with the list:
    the bus has to be asked about them first."""
    undecided = (write for write in writes if write.outcome is None)
    return (*undecided, *at_odds(units, writes))


class MoveState(Enum):
    """How the latest move of a unit stands."""

    UNKNOWN = auto()
    """Nobody knows what became of it."""
    WAITING = auto()
    """It takes effect with a power cycle."""
    VERIFIED = auto()
    """The unit was seen at its new place, not yet after a power cycle."""
    KEPT = auto()
    """It was seen there after a power cycle."""
    REFUSED = auto()
    NOT_VERIFIED = auto()


def move_state(unit: UnitRecord, write: WriteRecord) -> MoveState:
    """How `write`, the latest move of `unit`, stands."""
    match write.outcome:
        case None:
            return MoveState.UNKNOWN
        case Result.VERIFIED:
            return MoveState.KEPT if unit.power_cycle_verified else MoveState.VERIFIED
        case Result.WAITING:
            return MoveState.WAITING
        case Result.REFUSED:
            return MoveState.REFUSED
        case _:
            return MoveState.NOT_VERIFIED


def recorded_outcome(write: WriteRecord) -> Outcome:
    """The outcome of a move as the journal has it, to go on from."""
    row = write.row or (Row.CHANGED if write.outcome is Result.VERIFIED else Row.UNDECIDED)
    return Outcome(
        move_of(write),
        row,
        "",
        "",
        write.request,
        write=write.id,
        written=write.write.value if write.role.moves else None,
        held=write.held,
    )


def unproven_moves(
    units: Iterable[UnitRecord], writes: Sequence[WriteRecord]
) -> tuple[Outcome, ...]:
    """Moves that took effect, or may still do so, and that no power cycle has proven yet."""
    latest = ((unit, latest_move(unit, writes)) for unit in units)
    found = {
        write.id: write
        for unit, write in latest
        if write is not None and move_state(unit, write) is MoveState.VERIFIED
    }
    found |= {write.id: write for write in to_be_checked(claims(writes))}
    return tuple(recorded_outcome(found[number]) for number in sorted(found))

"""Places that an earlier write may still give to a unit, told from the journal: none of them is
free for another one.

Guards, plans, the box and the list all ask here.  A claim ends with evidence and not with time: a
power cycle that showed where the unit is, a register that holds something else by now, or a later
move of that very unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row, WriteRecord
from busprobe.line.place import Place
from busprobe.readdress.procedure import Move

_PROVEN_ELSEWHERE = (Row.NOT_ACCEPTED, Row.NOT_KEPT)
"""A power cycle showed the unit at its old place."""

_NEVER_TAKEN = (*_PROVEN_ELSEWHERE, Row.UNIT_REFUSED, Row.NOT_TAKEN)
"""The unit has nothing of this write in it that could still hold."""

_WHEREABOUTS_UNKNOWN = (None, Row.NEITHER, Row.BOTH, Row.NOT_ALONE, Row.UNCLEAR)
"""Where the unit is was not seen when it was last asked for."""


@dataclass(frozen=True)
class Claim:
    """A place that a write may still give to the unit that it was sent to."""

    write: WriteRecord

    @property
    def place(self) -> Place:
        """Where the unit may come up."""
        return self.write.target

    @property
    def waiting(self) -> bool:
        """Whether the unit is known to take it with its next power cycle."""
        return self.write.outcome is Result.WAITING

    @property
    def unsettled(self) -> bool:
        """Whether nobody has seen since where the unit is: that can be told by asking."""
        return self.write.outcome in (None, Result.NOT_VERIFIED) and (
            self.write.row in _WHEREABOUTS_UNKNOWN
        )

    @property
    def never_lost(self) -> bool:
        """Whether it is that very unit which is at its old place: it was always seen there, or has
        in its register what was written."""
        write = self.write
        lost = any(said.row in _WHEREABOUTS_UNKNOWN for said in write.conclusions)
        return not lost or write.holds == write.write.value

    @property
    def words(self) -> str:
        """What is claimed and why, in one sentence."""
        number, source, target = self.write.id, self.write.source, self.write.target
        if self.waiting:
            return (
                f"The unit at {source.words} takes {target.words} with its next power cycle (write"
                f" {number})."
            )
        return (
            f"The unit that was at {source.words} may still take {target.words}: the outcome of"
            f" write {number} is not known for certain."
        )


def claims(writes: Sequence[WriteRecord]) -> tuple[Claim, ...]:
    """What writes without a certain end may still do, in order of these writes."""
    moves = [write for write in writes if write.role.moves]
    return tuple(Claim(write) for write in moves if _may_take(write) and not _freed(write, moves))


def awaited(writes: Iterable[WriteRecord], move: Move, before: int | None = None) -> int | None:
    """What the last write to this register of the unit at that place left there; None if there was
    none.  With `before`, the last one before the write of that number."""
    left = None
    for write in writes:
        same = write.role.moves and (write.source, write.write.changed) == (
            move.source,
            move.procedure.register,
        )
        if same and (before is None or write.id < before):
            left = write.write.value
    return left


def to_be_checked(found: Iterable[Claim]) -> tuple[WriteRecord, ...]:
    """Writes of which a power cycle shows whether their claim is true; of several to one unit the
    last, as long as that unit answers at one of its places."""
    every = [claim.write for claim in found if claim.write.outcome is not None]
    return tuple(
        write
        for n, write in enumerate(every)
        if not any(
            _same_unit(write, later) and later.row is not Row.NEITHER for later in every[n + 1 :]
        )
    )


def taken_by(found: Iterable[Claim], source: Place, target: Place) -> Claim | None:
    """The claim by which `target` is not free for the unit at `source`; None if there is none.

    The very unit that a place was promised to may be given it again.
    """
    for claim in found:
        if claim.place == target and not (claim.write.source == source and claim.never_lost):
            return claim
    return None


def check_same_unit(found: Iterable[Claim], move: Move, held: int | None) -> None:
    """Refuse to repeat the move of a unit with another one, which the register tells: it was read
    when the outcome of the first was told, and `held` another number just now."""
    for claim in found:
        write = claim.write
        if (write.source, write.target) == (move.source, move.target) and (
            None not in (held, write.holds) and held != write.holds
        ):
            raise RefusedError(
                f"The register held {write.holds} after write {write.id}, and holds {held} now:"
                f" this is not the unit that was promised {move.target.words}.",
                means="That unit may come up there: two units would share the address.",
                todo=("Switch that unit off and on and check the move, or choose another address."),
            )


def check_claims(found: Iterable[Claim], move: Move) -> None:
    """Refuse a new place that is silent now and that another unit may still take up.

    Refuse any move from where a unit was that nobody has seen since: who answers there may be
    another one.  The same move of the same unit may be repeated.
    """
    for claim in found:
        write = claim.write
        from_here = write.source == move.source
        if from_here and claim.unsettled:
            raise RefusedError(
                f"Where write {write.id} left the unit that was at {write.source.words} is not"
                " known.",
                means="Who answers there now may be another unit.",
                todo="Reconnect that unit and recover the move: both its places are asked.",
            )
        if claim is not taken_by([claim], move.source, move.target):
            continue
        why = (
            "that unit waits for a power cycle."
            if claim.waiting
            else "its outcome is not known for certain."
        )
        raise RefusedError(
            f"Write {write.id} gave {move.target.words} to the unit that was at"
            f" {write.source.words}; {why}",
            means="That unit may come up there: two units would share the address.",
            todo=(
                "Reconnect that unit and recover the move: both its places are asked."
                if claim.unsettled
                else "Switch that unit off and on and check the move, or choose another address."
            ),
        )


def _may_take(write: WriteRecord) -> bool:
    return write.outcome not in (Result.VERIFIED, Result.REFUSED) and write.row not in _NEVER_TAKEN


def _freed(write: WriteRecord, moves: Iterable[WriteRecord]) -> bool:
    """Whether a later write says where its unit is, or what it has in its register instead."""
    mine = [write]
    for later in moves:
        if later.id <= write.id:
            continue
        if later.source == write.target:
            return True  # it came up there: it is on the list, and was moved on
        if not any(_same_unit(earlier, later) for earlier in mine):
            continue
        mine.append(later)
        if (
            later.outcome is Result.VERIFIED
            or later.row in _PROVEN_ELSEWHERE
            or later.holds == later.write.value
        ):
            return True
    return False


def _same_unit(write: WriteRecord, later: WriteRecord) -> bool:
    """Whether the unit that got `later` is the one that had got `write`.

    Two units of a box are at the same place one after the other: that the place is the same is no
    evidence.  That the register held before the later write what it held after the earlier one, is.
    """
    if later.source != write.source:
        return False
    holds = write.write.value if write.holds is None else write.holds
    same_register = later.write.changed == write.write.changed
    return later.target == write.target or (same_register and later.held == holds)

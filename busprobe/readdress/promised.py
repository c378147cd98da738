"""Places that are free now and taken later: by a unit that waits for a power cycle, or one that
forgets its address."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busprobe.errors import RefusedError
from busprobe.line.place import Place
from busprobe.readdress.journal import WriteOnRecord
from busprobe.readdress.outcome import Result
from busprobe.readdress.procedure import Move
from busprobe.readdress.recorded import moves_on_record, verified_after


def check_promised(writes: Sequence[WriteOnRecord], move: Move) -> None:
    """Refuse a new place that a unit moved earlier may still take up; raises `RefusedError`.

    The same move again is none of them: it promises nothing that is not promised already.
    """
    for write, made in moves_on_record(writes):
        if (
            write.outcome not in (None, Result.WAITING)
            or made.target != move.target
            or made.source == move.source
        ):
            continue
        if not any(later.source == made.target for _, later in verified_after(writes, write.id)):
            raise RefusedError(
                f"Write {write.id} gave {move.target.words} to the unit that was at"
                f" {made.source.words}; it waits for a power cycle, or nobody knows what became"
                " of it.",
                means=(
                    "That unit may come up there after its next power cycle: two units would share"
                    " the address."
                ),
                todo="Switch that unit off and on and check the move, or choose another address.",
            )


def doubts_of_return(
    writes: Sequence[WriteOnRecord], kept: Iterable[Place], move: Move
) -> tuple[str, ...]:
    """What to weigh where the new place was another unit's until lately: units that forget come
    back to it.

    `kept` are the places of units that were seen there after a power cycle.
    """
    proven = set(kept)
    return tuple(
        f"Until write {write.id}, {move.target.words} was another unit's, now at"
        f" {made.target.words} and not yet checked after a power cycle: if it forgets its new"
        " address, it comes back and clashes."
        for write, made in moves_on_record(writes)
        if write.outcome == Result.VERIFIED
        and made.source == move.target
        and made.target not in proven
        and made.target != move.source
        and not any(later.source == made.target for _, later in verified_after(writes, write.id))
    )

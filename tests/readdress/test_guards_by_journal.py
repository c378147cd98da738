"""A place that a unit moved earlier may still take up is not given to another."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Role, WriteRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress.guards import check_pending, doubts_of_return
from busprobe.readdress.procedure import Move, Procedure
from tests.readdress.bench import recorded_write as write

AT_9600 = LineSettings.parse("9600-8N1")


def move(old: int, new: int) -> Move:
    return Move(Place(old, AT_9600), Place(new, AT_9600), Procedure(256))


@pytest.mark.parametrize("outcome", [Result.WAITING, None])
def test_an_address_that_a_unit_may_come_up_at_is_refused(outcome: Result | None) -> None:
    with pytest.raises(
        RefusedError,
        match=r"Write 1 gave unit address 12 .* to the unit that was at unit address 1 ",
    ):
        check_pending([write(1, 1, 12, outcome)], move(9, 12))


@pytest.mark.parametrize(
    "writes",
    [
        [write(1, 1, 12, Result.NOT_VERIFIED)],
        [
            write(1, 1, 12, Result.VERIFIED)
        ],  # the unit is on the bus list then, which refuses by itself
        [write(1, 1, 13, Result.WAITING)],
        [write(1, 1, 12, Result.WAITING, role=Role.SAVE)],  # a step of a move, not the move
        [write(1, 9, 12, Result.WAITING)],  # the same move, tried again
        [
            write(1, 1, 12, Result.WAITING),
            write(2, 12, 20, Result.VERIFIED),
        ],  # it came up there and was moved on
    ],
)
def test_other_writes_promise_nothing(writes: list[WriteRecord]) -> None:
    check_pending(writes, move(9, 12))


def test_a_promise_outlives_another_unit_at_the_same_old_address() -> None:
    """Two of a box at address 1 one after the other: the first still has its 12 coming."""
    with pytest.raises(RefusedError, match="Write 1 "):
        check_pending(
            [write(1, 1, 12, Result.WAITING), write(2, 1, 13, Result.VERIFIED)], move(9, 12)
        )


def test_the_old_address_of_a_unit_that_may_forget_its_new_one_is_a_doubt() -> None:
    writes = [write(1, 5, 12, Result.VERIFIED)]
    (doubt,) = doubts_of_return(writes, [], move(9, 5))
    assert (
        "Until write 1, unit address 5 (0x05) at 9600-8N1 was another unit's, now at unit"
        " address 12" in doubt
    )
    assert doubts_of_return(writes, [Place(12, AT_9600)], move(9, 5)) == ()
    assert doubts_of_return(writes, [], move(12, 5)) == ()  # that very unit goes back
    assert doubts_of_return(writes, [], move(9, 6)) == ()
    assert doubts_of_return([*writes, write(2, 12, 30, Result.VERIFIED)], [], move(9, 5)) == ()

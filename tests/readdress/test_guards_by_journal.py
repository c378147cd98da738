"""A place that a unit moved earlier may still take up is not given to another."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Role, Row, WriteRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress.claims import check_claims, check_same_unit, claims, to_be_checked
from busprobe.readdress.guards import doubts_of_return
from busprobe.readdress.procedure import Move, Procedure
from tests.readdress.bench import recorded_write as write

AT_9600 = LineSettings.parse("9600-8N1")
NOT_VERIFIED = Result.NOT_VERIFIED


def move(old: int, new: int) -> Move:
    return Move(Place(old, AT_9600), Place(new, AT_9600), Procedure(256))


@pytest.mark.parametrize(
    ("outcome", "row"),
    [
        (None, None),  # the program ended before it was known
        (Result.WAITING, Row.PENDING),
        (Result.WAITING, Row.STILL_PENDING),
        (NOT_VERIFIED, None),  # kept by a program that knew no rows
        (NOT_VERIFIED, Row.UNDECIDED),
        (NOT_VERIFIED, Row.UNHEARD),
        (NOT_VERIFIED, Row.NEITHER),
        (NOT_VERIFIED, Row.UNCLEAR),
        (NOT_VERIFIED, Row.BOTH),
        (NOT_VERIFIED, Row.OTHER_REGISTER),
    ],
)
def test_an_address_that_a_unit_may_come_up_at_is_refused(
    outcome: Result | None, row: Row | None
) -> None:
    with pytest.raises(
        RefusedError,
        match=r"Write 1 gave unit address 12 .* to the unit that was at unit address 1 ",
    ):
        check_claims(claims([write(1, 1, 12, outcome, row=row)]), move(9, 12))


@pytest.mark.parametrize(
    "writes",
    [
        [write(1, 1, 12, NOT_VERIFIED, row=Row.UNIT_REFUSED)],
        [write(1, 1, 12, NOT_VERIFIED, row=Row.NOT_TAKEN)],
        [write(1, 1, 12, NOT_VERIFIED, row=Row.NOT_ACCEPTED)],
        [write(1, 1, 12, NOT_VERIFIED, row=Row.NOT_KEPT)],
        # The unit is on the bus list then, which refuses by itself.
        [write(1, 1, 12, Result.VERIFIED)],
        [write(1, 1, 13, Result.WAITING)],
        [write(1, 1, 12, Result.WAITING, role=Role.SAVE)],  # a step of a move, not the move
        # It came up there and was moved on.
        [write(1, 1, 12, Result.WAITING), write(2, 12, 20, Result.VERIFIED)],
    ],
)
def test_other_writes_promise_nothing(writes: list[WriteRecord]) -> None:
    check_claims(claims(writes), move(9, 12))


@pytest.mark.parametrize("row", [Row.PENDING, Row.UNDECIDED, Row.UNHEARD])
def test_a_move_may_be_tried_again_where_its_unit_was_seen_since(row: Row) -> None:
    outcome = Result.WAITING if row is Row.PENDING else NOT_VERIFIED
    check_claims(claims([write(1, 9, 12, outcome, row=row)]), move(9, 12))


@pytest.mark.parametrize("row", [Row.NEITHER, Row.UNCLEAR, Row.BOTH])
def test_a_move_is_not_tried_again_while_nobody_knows_where_its_unit_is(row: Row) -> None:
    """Another unit of the box may be at the old address by now."""
    with pytest.raises(RefusedError) as refused:
        check_claims(claims([write(1, 9, 12, NOT_VERIFIED, row=row)]), move(9, 12))
    assert "recover" in refused.value.todo


def test_a_move_is_not_repeated_with_another_unit_which_its_register_tells() -> None:
    """The first holds 12 and was taken off; the second is as from the factory."""
    first = [write(1, 9, 12, Result.WAITING, row=Row.PENDING, held=9, holds=12)]
    check_claims(claims(first), move(9, 12))
    for held in (12, None):
        check_same_unit(claims(first), move(9, 12), held)
    with pytest.raises(RefusedError, match="not the unit that was promised unit address 12"):
        check_same_unit(claims(first), move(9, 12), 9)
    check_same_unit(claims(first), move(9, 13), 9)


def test_a_promise_outlives_another_unit_at_the_same_old_address() -> None:
    """Two of a box at address 1 one after the other: the first still has its 12 coming."""
    for second in (
        write(2, 1, 13, Result.VERIFIED),
        write(2, 1, 13, Result.VERIFIED, held=1, holds=13),
    ):
        with pytest.raises(RefusedError, match="Write 1 "):
            check_claims(
                claims([write(1, 1, 12, Result.WAITING, held=1, holds=12), second]), move(9, 12)
            )


FIRST = write(1, 1, 11, Result.WAITING, row=Row.PENDING, held=1, holds=11)
"""A unit that takes 11 with its next power cycle."""


@pytest.mark.parametrize(
    "second",
    [
        write(2, 1, 12, Result.VERIFIED, row=Row.KEPT, held=11),
        write(2, 1, 12, Result.WAITING, row=Row.PENDING, held=11, holds=12),
        write(2, 1, 12, NOT_VERIFIED, row=Row.NOT_ACCEPTED, held=11),
    ],
)
def test_a_changed_mind_frees_the_first_address(second: WriteRecord) -> None:
    """The register held before the second write what it held after the first: it is that very
    unit, and it has one address coming, the later."""
    assert [claim.place.address for claim in claims([FIRST])] == [11]
    check_claims(claims([FIRST, second]), move(9, 11))


@pytest.mark.parametrize(
    "second",
    [
        write(2, 1, 12, NOT_VERIFIED, row=Row.UNHEARD, held=11),
        write(2, 1, 12, NOT_VERIFIED, row=Row.NEITHER, held=11),
        write(2, 1, 12, NOT_VERIFIED, row=Row.NOT_TAKEN, held=11, holds=11),
        write(2, 1, 12, None, held=11),
    ],
)
def test_a_second_write_that_proves_nothing_frees_nothing(second: WriteRecord) -> None:
    with pytest.raises(RefusedError, match="Write 1 "):
        check_claims(claims([FIRST, second]), move(9, 11))


def test_a_write_that_was_not_taken_frees_its_address_with_the_next_that_is() -> None:
    first = write(1, 1, 11, NOT_VERIFIED, row=Row.UNDECIDED, held=1, holds=1)
    assert claims([first, write(2, 1, 12, Result.VERIFIED, held=1)]) == ()


def test_of_several_writes_to_one_unit_the_last_is_checked_by_a_power_cycle() -> None:
    again = write(2, 1, 12, NOT_VERIFIED, row=Row.UNHEARD, held=11)
    other = write(3, 2, 20, Result.WAITING, row=Row.PENDING)
    assert [each.id for each in to_be_checked(claims([FIRST, again, other]))] == [2, 3]
    lost = write(2, 1, 12, NOT_VERIFIED, row=Row.NEITHER, held=11)
    assert [each.id for each in to_be_checked(claims([FIRST, lost, other]))] == [1, 2, 3]


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

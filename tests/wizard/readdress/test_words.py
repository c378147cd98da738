"""How the latest move of a unit stands."""

from __future__ import annotations

import pytest

from busprobe.job.journal import Result
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.readdress.journal import latest_move
from busprobe.wizard.common.signs import Sign
from busprobe.wizard.readdress.words import move_sign
from tests.readdress.bench import recorded_write as write


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Result.WAITING, "cycle it"),
        (Result.NOT_VERIFIED, "not sure"),
        (Result.REFUSED, "refused"),
        (None, "not known"),
    ],
)
def test_a_move_that_is_not_verified_stays_with_the_unit_at_the_old_address(
    outcome: Result | None, words: str
) -> None:
    unit, writes = UnitRecord(Place.parse("1 9600-8N1")), (write(1, 1, 12, outcome),)
    sign = move_sign(unit, latest_move(unit, writes))
    assert sign is not None
    assert sign.word == words


def test_verified_and_kept_over_a_power_cycle_are_two_things() -> None:
    moved = UnitRecord(Place.parse("12 9600-8N1"))
    assert move_sign(moved, write(1, 1, 12, Result.VERIFIED)) is Sign.VERIFIED
    assert (
        move_sign(
            UnitRecord(Place.parse("12 9600-8N1"), power_cycle_verified=True),
            write(1, 1, 12, Result.VERIFIED),
        )
        is Sign.KEPT
    )

"""The random buses of the benchmark: the bound is the published one, and clashes whose second reply
is late are told."""

from __future__ import annotations

import pytest

from busprobe.survey.findings import Kind
from tests.benchmarks.random_buses import (
    ADDRESSES,
    CLASH_AT,
    Tally,
    random_bus,
    random_clash,
    surveyed,
    upper_bound,
)


def test_the_bound_is_exact_and_near_the_rule_of_three() -> None:
    """Computed: where none of n was missed it is 1 - 0.05 ** (1 / n); the rule of three (J. A.
    Hanley, A. Lippman-Hand, JAMA 249, 1983) says 3 / n."""
    assert upper_bound(0, 30_000) == pytest.approx(1 - 0.05 ** (1 / 30_000))
    assert upper_bound(0, 30_000) == pytest.approx(3 / 30_000, rel=0.01)
    assert upper_bound(10, 100) > 0.1


def test_of_random_clashes_hardly_any_passes_for_one_unit() -> None:
    near = range(CLASH_AT - 2, CLASH_AT + 4)
    tally = sum((surveyed(random_clash(n), near, Kind.CLASH) for n in range(60)), Tally())
    assert (tally.invented, tally.missed) == (0, 0)
    assert tally.wrong <= 4


def test_of_units_on_random_buses_hardly_any_is_missed_and_none_invented() -> None:
    tally = sum((surveyed(random_bus(n), ADDRESSES, Kind.UNIT) for n in range(20)), Tally())
    assert tally.invented == 0
    assert tally.missed <= 6


@pytest.mark.parametrize("number", [2, 163])
def test_late_replies_in_a_long_close_look_are_no_other_masters(number: int) -> None:
    """They come while a slow unit is looked at, which takes longer than they are waited for."""
    tally = surveyed(random_bus(number), ADDRESSES, Kind.UNIT)
    assert (tally.missed, tally.invented) == (0, 0)

"""Check values and properties of the arithmetic behind an endurance run."""

from __future__ import annotations

import json
import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.files.documents import from_document, to_document
from busprobe.prove.statistics import (
    MOST_STRETCHES,
    RESOLUTION,
    FailuresOverTime,
    Times,
    binomial_at_most,
    error_bound,
    error_floor,
    find_pattern,
    milliseconds,
)

STEPS = st.lists(st.integers(0, 20_000), min_size=1, max_size=60)


def times(steps: list[int]) -> Times:
    result = Times()
    for step in steps:
        result = result.adding(step * RESOLUTION)
    return result


@given(STEPS)
def test_the_median_is_that_of_the_standard_library(steps: list[int]) -> None:
    assert times(steps).median == pytest.approx(statistics.median_low(steps) * RESOLUTION)


@given(STEPS, st.integers(1, 100))
def test_a_percentile_is_a_measured_time_that_so_many_do_not_exceed(
    steps: list[int], percent: int
) -> None:
    """Nearest rank: enough are at or below it, and too few below it."""
    found = times(steps).percentile(percent)
    assert found is not None
    step = round(found / RESOLUTION)
    assert step in steps
    assert 100 * sum(s <= step for s in steps) >= percent * len(steps)
    assert 100 * sum(s < step for s in steps) < percent * len(steps)


@given(STEPS)
def test_minimum_and_maximum_are_the_extremes(steps: list[int]) -> None:
    assert times(steps).minimum == pytest.approx(min(steps) * RESOLUTION)
    assert times(steps).maximum == pytest.approx(max(steps) * RESOLUTION)
    assert times(steps).count == len(steps)


def test_nothing_measured_has_no_median() -> None:
    assert Times().median is None
    assert Times().maximum is None
    assert milliseconds(None) is None


@given(STEPS)
def test_times_survive_being_stored(steps: list[int]) -> None:
    assert from_document(Times, json.loads(json.dumps(to_document(times(steps))))) == times(steps)


@pytest.mark.parametrize(
    ("polls", "failed", "bound"),
    [
        # 0 of 200: "0/200 only says < 1.5 % at 95 %"; computed by 1 - 0.05^(1/200).
        (200, 0, 0.014867),
        # The one-sided 95 % bounds of Clopper and Pearson for 10 trials, from memory: .2589, .3942,
        # .5069, .6066.
        (10, 0, 0.2589),
        (10, 1, 0.3942),
        (10, 2, 0.5069),
        (10, 3, 0.6066),
        (10, 10, 1.0),
        (0, 0, 1.0),
    ],
)
def test_error_bound_has_its_published_values(polls: int, failed: int, bound: float) -> None:
    assert error_bound(polls, failed) == pytest.approx(bound, abs=5e-5)


@pytest.mark.parametrize("polls", [100, 1000, 1_000_000])
def test_without_a_failure_the_bound_is_about_three_over_n(polls: int) -> None:
    """The rule of three; its error is below 2 % from 100 polls on."""
    assert error_bound(polls, 0) == pytest.approx(3 / polls, rel=0.02)


@given(st.integers(1, 400), st.data())
def test_at_the_bound_so_few_failures_are_seen_in_one_run_of_twenty(
    polls: int, data: st.DataObject
) -> None:
    """The defining equation of the exact bound, summed here term by term."""
    failed = data.draw(st.integers(0, polls - 1))
    p = error_bound(polls, failed)
    seen = math.fsum(math.comb(polls, k) * p**k * (1 - p) ** (polls - k) for k in range(failed + 1))
    assert seen == pytest.approx(0.05, rel=1e-6)


@given(st.integers(1, 60), st.integers(-1, 61), st.floats(0, 1))
def test_binomial_tail_is_the_sum_of_its_terms(trials: int, successes: int, chance: float) -> None:
    terms = (
        math.comb(trials, k) * chance**k * (1 - chance) ** (trials - k)
        for k in range(min(successes, trials) + 1)
    )
    assert binomial_at_most(successes, trials, chance) == pytest.approx(math.fsum(terms), abs=1e-9)


def test_a_run_of_days_with_many_failures_is_still_bounded() -> None:
    """Two in a hundred of five million polls: the bound lies 1.645 standard deviations above the
    rate."""
    bound = error_bound(5_000_000, 100_000)
    assert bound == pytest.approx(0.02 + 1.645 * math.sqrt(0.02 * 0.98 / 5_000_000), rel=1e-4)


def test_failures_at_several_units_in_the_same_rounds_are_together() -> None:
    """Six units failing in the same 5 of 1000 rounds: noise, and no unit stands out."""
    pattern = find_pattern(
        1000, dict.fromkeys(range(1, 7), 5), shared_rounds=5, shared_pairs=5 * 15
    )
    assert pattern.together
    assert pattern.standing_out == ()


@pytest.mark.parametrize(("units", "rounds", "shared"), [(2, 100, 12), (2, 100, 2), (10, 60, 3)])
def test_few_units_that_only_fail_in_the_same_rounds_fail_together(
    units: int, rounds: int, shared: int
) -> None:
    pattern = find_pattern(
        rounds, dict.fromkeys(range(units), shared), shared, shared * math.comb(units, 2)
    )
    assert pattern.together
    assert pattern.standing_out == ()


def test_failures_at_one_unit_stand_out_and_are_not_together() -> None:
    pattern = find_pattern(1000, {1: 0, 2: 30, 3: 1, 4: 0}, shared_rounds=0, shared_pairs=0)
    assert pattern.standing_out == (2,)
    assert not pattern.together


def test_noise_and_a_bad_unit_are_both_seen() -> None:
    pattern = find_pattern(1000, {1: 8, 2: 80, 3: 8, 4: 8}, shared_rounds=8, shared_pairs=8 * 6)
    assert pattern.standing_out == (2,)
    assert pattern.together


def test_two_dead_units_fail_in_all_rounds_and_that_is_no_noise() -> None:
    """Each round has two failing units, as their own rates explain."""
    pattern = find_pattern(
        100, {1: 100, 2: 100, 3: 0, 4: 0, 5: 0}, shared_rounds=100, shared_pairs=100
    )
    assert not pattern.together
    assert pattern.standing_out == (1, 2)


def test_units_that_seldom_fail_together_show_no_common_cause() -> None:
    """Two units that fail in turn: far fewer shared rounds than chance would give."""
    assert not find_pattern(1000, {1: 500, 2: 500}, shared_rounds=2, shared_pairs=2).together


@pytest.mark.parametrize(
    ("rounds", "failed", "shared"),
    [
        (0, {1: 0}, 0),
        (100, {1: 0, 2: 0}, 0),
        (1000, {1: 1, 2: 1}, 1),
        (100, {1: 2, 2: 0, 3: 0}, 0),
        (100, {1: 90}, 0),
    ],
)
def test_too_few_failures_show_no_pattern(rounds: int, failed: dict[int, int], shared: int) -> None:
    """One shared round may be chance, two failures prove no unit bad, and a single unit has none to
    differ from."""
    pattern = find_pattern(rounds, failed, shared, shared)
    assert not pattern.together
    assert pattern.standing_out == ()


def test_independent_failures_are_seldom_taken_for_a_pattern() -> None:
    """Eight units that fail alike and independently: of 300 such runs at most 2 % seem to show
    either pattern."""
    rng = random.Random(7)  # noqa: S311
    claims = 0
    for _ in range(300):
        failed = dict.fromkeys(range(8), 0)
        shared = pairs = 0
        for _ in range(100):
            now = [unit for unit in failed if rng.random() < 0.05]
            for unit in now:
                failed[unit] += 1
            shared += len(now) > 1
            pairs += math.comb(len(now), 2)
        pattern = find_pattern(100, failed, shared, pairs)
        claims += pattern.together or bool(pattern.standing_out)
    assert claims <= 6


def test_moments_of_any_length_take_no_more_room_and_lose_no_failure() -> None:
    moments = FailuresOverTime()
    for second in range(0, 100_000, 50):
        moments = moments.adding(second)
    assert sum(moments.counts.values()) == 2000
    assert len(moments.counts) <= MOST_STRETCHES
    spread = moments.spread(100_000, 10)
    assert sum(spread) == 2000
    assert max(spread) - min(spread) <= 2 * moments.stretch_s / 50
    assert from_document(FailuresOverTime, json.loads(json.dumps(to_document(moments)))) == moments


def test_moments_tell_the_end_of_a_run_from_its_beginning() -> None:
    late = FailuresOverTime().adding(89.9).adding(90.0)
    assert late.spread(90.0, 9) == (0, 0, 0, 0, 0, 0, 0, 0, 2)


@pytest.mark.parametrize("polls", [1, 20, 600])
def test_error_floor_has_its_closed_forms(polls: int) -> None:
    """All of N failed: 0.05^(1/N); one of N: 1 - 0.95^(1/N) (both by solving the binomial for 5 %,
    Clopper and Pearson as for the bound)."""
    assert error_floor(polls, polls) == pytest.approx(0.05 ** (1 / polls), rel=1e-6)
    assert error_floor(polls, 1) == pytest.approx(1 - 0.95 ** (1 / polls), rel=1e-6)
    assert error_floor(polls, 0) == 0

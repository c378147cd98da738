"""Errors in time: a claim where chance hardly looks like it, silence otherwise."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wiring.advice import Cause, Observation
from busprobe.wiring.moments import Failure, Watch, by_time


def watch(
    *moments: float, units: tuple[int, ...] = (5,), seconds: float = 600.0, rounds: int = 600
) -> Watch:
    """Failures at `moments`, at `units` in turn."""
    return Watch(
        seconds,
        rounds,
        tuple(Failure(at, units[n % len(units)]) for n, at in enumerate(sorted(moments))),
    )


def causes(observation: Observation | None) -> tuple[Cause, ...]:
    return tuple(hint.cause for hint in observation.hints) if observation else ()


@pytest.mark.parametrize("seed", range(8))
def test_failures_by_chance_say_nothing(seed: int) -> None:
    """Eight runs of twenty failures anywhere."""
    random = Random(seed)  # noqa: S311 - the same moments each time
    assert by_time(watch(*(random.uniform(0, 600) for _ in range(20)), units=(1, 2, 3))) is None


def test_chance_is_hardly_ever_taken_for_a_pattern() -> None:
    """Of 1000 runs with failures anywhere, fewer than 3 in 100 give a claim: three tests at 1 in
    100 each."""
    random = Random(1)  # noqa: S311 - the same moments each time
    runs = (
        watch(*(random.uniform(0, 600) for _ in range(random.randint(5, 40)))) for _ in range(1000)
    )
    assert sum(by_time(run) is not None for run in runs) < 30


def test_nothing_until_a_moment_and_then_failures() -> None:
    """Something has come loose, or was switched on."""
    observation = by_time(watch(400, 430, 470, 510, 515, 590))
    assert observation is not None
    assert "All 6 failures, at unit 5, came after 7 min of 10 min." in observation.seen
    assert causes(observation) == (Cause.BROKEN_WIRE, Cause.NOISE, Cause.NO_SUPPLY)


def test_a_unit_that_falls_silent_for_good_is_told_with_its_moment() -> None:
    """Every round from one on."""
    observation = by_time(watch(*(400 + 1.0 * n for n in range(200))))
    assert observation is not None
    assert "came after" in observation.seen


def test_failures_that_end_are_told_too() -> None:
    observation = by_time(watch(2, 11, 25, 31, 47, 60))
    assert observation is not None
    assert "in the first 60.0 s of 10 min" in observation.seen


def test_one_bad_moment_is_not_since_it() -> None:
    """Six failures within a second, late: a burst, and nothing about what came after."""
    observation = by_time(watch(*(500 + 0.1 * n for n in range(6)), units=(1, 2, 3)))
    assert observation is not None
    assert "bursts that hit units 1-3 alike" in observation.seen
    assert causes(observation) == (Cause.NOISE, Cause.BROKEN_WIRE)


def test_a_steady_pace_is_told_with_its_period() -> None:
    """Every minute, give or take two seconds."""
    observation = by_time(watch(*(30 + 60 * n + 2 * (n % 2) for n in range(10))))
    assert observation is not None
    assert "every 60.2 s, 10 times in 10 min" in observation.seen
    assert causes(observation) == (Cause.OTHER_MASTER, Cause.NOISE, Cause.NO_SUPPLY)


def test_the_pace_of_our_own_asking_is_none() -> None:
    """A unit that fails in every second round fails at a steady pace of our making."""
    assert by_time(watch(*(2.0 * n for n in range(300)))) is None


def test_bursts_at_one_unit_point_at_it() -> None:
    observation = by_time(watch(*(start + 0.1 * n for start in (40, 210, 580) for n in range(6))))
    assert observation is not None
    assert "bursts at unit 5 alone" in observation.seen
    assert causes(observation)[0] is Cause.UNIT_ITSELF


def test_too_few_failures_or_no_time_say_nothing() -> None:
    assert by_time(watch(590, 591, 592, 593)) is None
    assert by_time(Watch(0.0, 0, tuple(Failure(0.0, 1) for _ in range(9)))) is None


def test_units_that_never_answer_can_be_left_out() -> None:
    """Their silence is no matter of time."""
    mixed = watch(*(1.0 * n for n in range(600)), units=(5, 9))
    assert {failure.address for failure in mixed.without({9}).failures} == {5}


@given(
    st.lists(st.tuples(st.floats(0, 100), st.integers(1, 247)), max_size=60),
    st.integers(0, 1000),
    st.floats(100, 1000),
)
def test_no_run_is_too_odd_and_nothing_is_asserted(
    failures: list[tuple[float, int]], rounds: int, seconds: float
) -> None:
    """Whatever the moments, more than one cause is left open."""
    observation = by_time(
        Watch(seconds, rounds, tuple(Failure(*failure) for failure in sorted(failures)))
    )
    assert observation is None or (observation.certain is None and len(observation.hints) > 1)


def test_an_outage_of_one_unit_is_no_steady_pace_of_somebody_else() -> None:
    """Rounds take 0.1 s, and 1.6 s while the unit is silent: its failures are as far apart as we
    wait for it."""
    outage = [26 + 1.6 * n for n in range(7)]
    told = by_time(Watch(60.0, 500, tuple(Failure(at, 13) for at in outage), longest_round=1.6))
    assert told is not None
    assert told.seen == "Failures come in bursts at unit 13 alone."
    steady = tuple(Failure(6.0 * n + 3, 13) for n in range(10))
    told = by_time(Watch(60.0, 500, steady, longest_round=1.6))
    assert told is not None
    assert "every 6.0 s" in told.seen

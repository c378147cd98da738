"""Distributions of errors as hints: silent rather than rash."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wiring.causes import Cause, Observation
from busprobe.wiring.error_distribution import (
    FailedPoll,
    PollCounts,
    PollingPeriod,
    RunCounts,
    by_baud,
    by_position,
    by_time,
    error_patterns,
)

ORDER = (3, 1, 7, 5, 9, 2)
FINE, FAILING, SILENT = PollCounts(100, 0), PollCounts(100, 20), PollCounts(100, 100)


def causes(observation: Observation | None) -> tuple[Cause, ...]:
    return tuple(hint.cause for hint in observation.hints) if observation else ()


def test_all_units_silent_from_one_on_is_a_break_or_a_lost_supply() -> None:
    """Cable order counts, not address order; a bus break and a supply break look the same from
    here."""
    tallies = {3: FINE, 1: FINE, 7: SILENT, 5: SILENT, 9: SILENT, 2: SILENT}
    observation = by_position(ORDER, tallies)
    assert observation is not None
    assert "from 7 on" in observation.seen
    assert "up to 1 answer" in observation.seen
    assert causes(observation) == (Cause.BROKEN_WIRE, Cause.NO_SUPPLY)
    assert observation.certain is None


def test_single_silent_units_are_no_matter_of_position() -> None:
    """Neither one in the middle, nor the last one, nor everybody."""
    for silent in ({7}, {2}, set(ORDER), {3, 2}):
        assert by_position(ORDER, {a: SILENT if a in silent else FINE for a in ORDER}) is None


def test_errors_that_grow_with_distance() -> None:
    """Far units fail, near ones do not: reflections first, but supply and noise fit too."""
    tallies = {3: FINE, 1: FINE, 7: FINE, 5: FAILING, 9: FAILING, 2: FAILING}
    assert causes(by_position(ORDER, tallies)) == (Cause.REFLECTIONS, Cause.NO_SUPPLY, Cause.NOISE)
    assert by_position(ORDER, dict.fromkeys(ORDER, FAILING)) is None
    assert by_position(ORDER, {**dict.fromkeys(ORDER, FINE), 2: PollCounts(100, 4)}) is None


def test_units_without_a_tally_are_passed_over() -> None:
    """What was not asked says nothing."""
    assert by_position(ORDER, {3: FINE, 2: PollCounts(0, 0)}) is None
    assert by_position((), {}) is None


def test_errors_that_go_with_half_the_baud_rate() -> None:
    """Gone at the lower rate: reflections; the same at both: noise or bias."""
    assert causes(by_baud({9600: FINE, 19200: FAILING}))[0] is Cause.REFLECTIONS
    assert causes(by_baud({9600: FAILING, 19200: FAILING})) == (Cause.NOISE, Cause.MISSING_BIAS)
    assert by_baud({9600: FINE, 19200: FINE}) is None
    assert by_baud({19200: FAILING}) is None


TALLIES = st.builds(
    lambda asked, share: PollCounts(asked, round(asked * share)),
    st.integers(0, 200),
    st.floats(0, 1),
)


@given(st.permutations(ORDER), st.dictionaries(st.sampled_from(ORDER), TALLIES))
def test_position_never_asserts(order: list[int], tallies: dict[int, PollCounts]) -> None:
    """Whatever the counts, a distribution along the cable leaves at least two causes open."""
    observation = by_position(order, tallies)
    assert observation is None or (observation.certain is None and len(observation.hints) > 1)


def run_of(tallies: dict[tuple[int, int], PollCounts], *failures: FailedPoll) -> RunCounts:
    return RunCounts(tallies, PollingPeriod(600.0, 600, failures))


def test_all_three_looks_at_once() -> None:
    """Far units fail, only at the high rate, and all in the last minute: a sentence each, in that
    order."""
    slow = run_of({(address, 9600): FINE for address in ORDER})
    late = [FailedPoll(560.0 + 8 * n, address) for n, address in enumerate((5, 9, 2, 5, 9))]
    fast = run_of({(a, 19200): FAILING if a in ORDER[3:] else FINE for a in ORDER}, *late)
    found = error_patterns([slow, fast], ORDER)
    assert [observation.seen.split()[0] for observation in found] == ["Errors", "Of", "All"]
    assert "19200" in found[1].seen
    assert error_patterns([slow], ORDER) == error_patterns([], ORDER) == ()


def test_units_at_different_rates_are_not_compared_as_rates() -> None:
    """Unit 1 at 9600 is sound, unit 2 at 19200 is not: that is the unit, or anything else."""
    assert error_patterns([run_of({(1, 9600): FINE, (2, 19200): FAILING})], ()) == ()


def test_units_that_never_answer_are_no_matter_of_time() -> None:
    late = [FailedPoll(500.0 + 10 * n, 9) for n in range(9)]
    assert error_patterns([run_of({(9, 9600): SILENT, (5, 9600): FINE}, *late)], ()) == ()
    assert error_patterns([run_of({(9, 9600): FAILING, (5, 9600): FINE}, *late)], ()) != ()


def period_of(
    *moments: float, units: tuple[int, ...] = (5,), seconds: float = 600.0, rounds: int = 600
) -> PollingPeriod:
    """Failures at `moments`, at `units` in turn."""
    return PollingPeriod(
        seconds,
        rounds,
        tuple(FailedPoll(at, units[n % len(units)]) for n, at in enumerate(sorted(moments))),
    )


@pytest.mark.parametrize("seed", range(8))
def test_failures_by_chance_say_nothing(seed: int) -> None:
    """Eight runs of twenty failures anywhere."""
    random = Random(seed)  # noqa: S311 - the same moments each time
    assert by_time(period_of(*(random.uniform(0, 600) for _ in range(20)), units=(1, 2, 3))) is None


def test_chance_is_hardly_ever_taken_for_a_pattern() -> None:
    """Of 1000 runs with failures anywhere, fewer than 3 in 100 give a claim: three tests at 1 in
    100 each."""
    random = Random(1)  # noqa: S311 - the same moments each time
    runs = (
        period_of(*(random.uniform(0, 600) for _ in range(random.randint(5, 40))))
        for _ in range(1000)
    )
    assert sum(by_time(run) is not None for run in runs) < 30


def test_nothing_until_a_moment_and_then_failures() -> None:
    """Something has come loose, or was switched on."""
    observation = by_time(period_of(400, 430, 470, 510, 515, 590))
    assert observation is not None
    assert "All 6 failures, at unit 5, came after 7 min of 10 min." in observation.seen
    assert causes(observation) == (Cause.BROKEN_WIRE, Cause.NOISE, Cause.NO_SUPPLY)


def test_a_unit_that_falls_silent_for_good_is_told_with_its_moment() -> None:
    """Every round from one on."""
    observation = by_time(period_of(*(400 + 1.0 * n for n in range(200))))
    assert observation is not None
    assert "came after" in observation.seen


def test_failures_that_end_are_told_too() -> None:
    observation = by_time(period_of(2, 11, 25, 31, 47, 60))
    assert observation is not None
    assert "in the first 60.0 s of 10 min" in observation.seen


def test_one_bad_moment_is_not_since_it() -> None:
    """Six failures within a second, late: a burst, and nothing about what came after."""
    observation = by_time(period_of(*(500 + 0.1 * n for n in range(6)), units=(1, 2, 3)))
    assert observation is not None
    assert "bursts that hit units 1-3 alike" in observation.seen
    assert causes(observation) == (Cause.NOISE, Cause.BROKEN_WIRE)


def test_a_steady_pace_is_told_with_its_period() -> None:
    """Every minute, give or take two seconds."""
    observation = by_time(period_of(*(30 + 60 * n + 2 * (n % 2) for n in range(10))))
    assert observation is not None
    assert "every 60.2 s, 10 times in 10 min" in observation.seen
    assert causes(observation) == (Cause.OTHER_MASTER, Cause.NOISE, Cause.NO_SUPPLY)


def test_the_pace_of_our_own_asking_is_none() -> None:
    """A unit that fails in every second round fails at a steady pace of our making."""
    assert by_time(period_of(*(2.0 * n for n in range(300)))) is None


def test_bursts_at_one_unit_point_at_it() -> None:
    observation = by_time(
        period_of(*(start + 0.1 * n for start in (40, 210, 580) for n in range(6)))
    )
    assert observation is not None
    assert "bursts at unit 5 alone" in observation.seen
    assert causes(observation)[0] is Cause.UNIT_ITSELF


def test_too_few_failures_or_no_time_say_nothing() -> None:
    assert by_time(period_of(590, 591, 592, 593)) is None
    assert by_time(PollingPeriod(0.0, 0, tuple(FailedPoll(0.0, 1) for _ in range(9)))) is None


def test_units_that_never_answer_can_be_left_out() -> None:
    """Their silence is no matter of time."""
    mixed = period_of(*(1.0 * n for n in range(600)), units=(5, 9))
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
        PollingPeriod(seconds, rounds, tuple(FailedPoll(*failure) for failure in sorted(failures)))
    )
    assert observation is None or (observation.certain is None and len(observation.hints) > 1)


def test_an_outage_of_one_unit_is_no_steady_pace_of_somebody_else() -> None:
    """Rounds take 0.1 s, and 1.6 s while the unit is silent: its failures are as far apart as we
    wait for it."""
    outage = [26 + 1.6 * n for n in range(7)]
    told = by_time(
        PollingPeriod(60.0, 500, tuple(FailedPoll(at, 13) for at in outage), longest_round=1.6)
    )
    assert told is not None
    assert told.seen == "Failures come in bursts at unit 13 alone."
    steady = tuple(FailedPoll(6.0 * n + 3, 13) for n in range(10))
    told = by_time(PollingPeriod(60.0, 500, steady, longest_round=1.6))
    assert told is not None
    assert "every 6.0 s" in told.seen

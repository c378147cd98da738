"""Distributions of errors as hints: silent rather than rash."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.wiring.advice import Cause, Observation
from busprobe.wiring.moments import Failure, Watch
from busprobe.wiring.patterns import Counted, Tally, by_baud, by_position, patterns

ORDER = (3, 1, 7, 5, 9, 2)
FINE, FAILING, SILENT = Tally(100, 0), Tally(100, 20), Tally(100, 100)


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
    assert by_position(ORDER, {**dict.fromkeys(ORDER, FINE), 2: Tally(100, 4)}) is None


def test_units_without_a_tally_are_passed_over() -> None:
    """What was not asked says nothing."""
    assert by_position(ORDER, {3: FINE, 2: Tally(0, 0)}) is None
    assert by_position((), {}) is None


def test_errors_that_go_with_half_the_baud_rate() -> None:
    """Gone at the lower rate: reflections; the same at both: noise or bias."""
    assert causes(by_baud({9600: FINE, 19200: FAILING}))[0] is Cause.REFLECTIONS
    assert causes(by_baud({9600: FAILING, 19200: FAILING})) == (Cause.NOISE, Cause.MISSING_BIAS)
    assert by_baud({9600: FINE, 19200: FINE}) is None
    assert by_baud({19200: FAILING}) is None


TALLIES = st.builds(
    lambda asked, share: Tally(asked, round(asked * share)), st.integers(0, 200), st.floats(0, 1)
)


@given(st.permutations(ORDER), st.dictionaries(st.sampled_from(ORDER), TALLIES))
def test_position_never_asserts(order: list[int], tallies: dict[int, Tally]) -> None:
    """Whatever the counts, a distribution along the cable leaves at least two causes open."""
    observation = by_position(order, tallies)
    assert observation is None or (observation.certain is None and len(observation.hints) > 1)


def run_of(tallies: dict[tuple[int, int], Tally], *failures: Failure) -> Counted:
    return Counted(tallies, Watch(600.0, 600, failures))


def test_all_three_looks_at_once() -> None:
    """Far units fail, only at the high rate, and all in the last minute: a sentence each, in that
    order."""
    slow = run_of({(address, 9600): FINE for address in ORDER})
    late = [Failure(560.0 + 8 * n, address) for n, address in enumerate((5, 9, 2, 5, 9))]
    fast = run_of({(a, 19200): FAILING if a in ORDER[3:] else FINE for a in ORDER}, *late)
    found = patterns([slow, fast], ORDER)
    assert [observation.seen.split()[0] for observation in found] == ["Errors", "Of", "All"]
    assert "19200" in found[1].seen
    assert patterns([slow], ORDER) == patterns([], ORDER) == ()


def test_units_at_different_rates_are_not_compared_as_rates() -> None:
    """Unit 1 at 9600 is sound, unit 2 at 19200 is not: that is the unit, or anything else."""
    assert patterns([run_of({(1, 9600): FINE, (2, 19200): FAILING})], ()) == ()


def test_units_that_never_answer_are_no_matter_of_time() -> None:
    late = [Failure(500.0 + 10 * n, 9) for n in range(9)]
    assert patterns([run_of({(9, 9600): SILENT, (5, 9600): FINE}, *late)], ()) == ()
    assert patterns([run_of({(9, 9600): FAILING, (5, 9600): FINE}, *late)], ()) != ()

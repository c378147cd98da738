"""Distributions of errors as hints: silent rather than rash."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.wiring.advice import Cause, Observation
from busprobe.wiring.patterns import Tally, by_baud, by_position, in_bursts

ORDER = (3, 1, 7, 5, 9, 2)
FINE, FAILING, SILENT = Tally(100, 0), Tally(100, 20), Tally(100, 100)


def causes(observation: Observation | None) -> tuple[Cause, ...]:
    return tuple(hint.cause for hint in observation.hints) if observation else ()


def test_all_units_silent_from_one_on_is_a_break_or_a_lost_supply() -> None:
    """Cable order counts, not address order; a bus break and a supply break look the same from here."""
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


def test_bursts() -> None:
    """Several units at once point outside; one unit points at it."""
    assert causes(in_bursts([5, 7]))[0] is Cause.NOISE
    assert causes(in_bursts([5, 5]))[0] is Cause.UNIT_ITSELF


TALLIES = st.builds(lambda asked, share: Tally(asked, round(asked * share)), st.integers(0, 200), st.floats(0, 1))


@given(st.permutations(ORDER), st.dictionaries(st.sampled_from(ORDER), TALLIES))
def test_position_never_asserts(order: list[int], tallies: dict[int, Tally]) -> None:
    """Whatever the counts, a distribution along the cable leaves at least two causes open."""
    observation = by_position(order, tallies)
    assert observation is None or (observation.certain is None and len(observation.hints) > 1)

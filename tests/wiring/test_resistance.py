"""Resistance between the wires: what it fits, and what it cannot tell."""

from __future__ import annotations

import math
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wiring.arithmetic.bias import parallel
from busprobe.wiring.arithmetic.conductor import Conductor
from busprobe.wiring.meter import Level
from busprobe.wiring.resistance import (
    MeasuredPair,
    Termination,
    bounds,
    judge_resistance,
    terminators_by,
)


@pytest.mark.parametrize(
    ("value", "level", "words"),
    [
        (60.0, Level.GOOD, "both terminators"),
        (51.7, Level.GOOD, "both terminators"),  # two 120 Ω beside 32 unit loads across the pair
        (120.0, Level.ATTENTION, "one terminator"),
        (40.0, Level.WRONG, "three terminators"),
        (35.0, Level.WRONG, "four terminators or more of 120 Ω as well as three terminators"),
        (30.0, Level.WRONG, "four terminators"),
        (0.4, Level.WRONG, "a short"),
        (math.inf, Level.ATTENTION, "no terminator"),
        (850.0, Level.ATTENTION, "no terminator"),
        # Two resistors of 150 Ω, as V1.02 section 3.4.5 has them, bare and beside 32 unit loads:
        (75.0, Level.GOOD, "fits both terminators of 150 Ω."),
        (62.5, Level.GOOD, "fits both terminators of 120 or 150 Ω."),
        # Two of 150 Ω through leads of 5 Ω, or one of 120 Ω beside all that may be connected:
        (80.0, Level.ATTENTION, "both terminators of 150 Ω as well as one terminator of 120 Ω"),
        (150.0, Level.ATTENTION, "one terminator of 150 Ω"),
        (200.0, Level.ATTENTION, "fits no number"),
    ],
)
def test_readings_of_a_short_pair(value: float, level: Level, words: str) -> None:
    """MODBUS over Serial Line V1.02, section 3.4.5: two terminators of 120 Ω at the ends, so about
    60 Ω."""
    judgement = judge_resistance(value)
    assert judgement.level is level
    assert words in judgement.words
    assert bool(judgement.action) is (level is not Level.GOOD)


def test_pictures_of_a_short_pair_do_not_overlap_by_more_than_an_ohm() -> None:
    """With the defaults a single reading tells the number of terminators; only three and four blur
    into each other."""
    for one, other in combinations(Termination, 2):
        if {one, other} == {Termination.MANY, Termination.THREE}:
            continue
        (low, high), (least, most) = sorted(
            (bounds(one, MeasuredPair()), bounds(other, MeasuredPair()))
        )
        assert high - least < 1.0, (one, other)
        assert low < high
        assert least < most


def test_two_terminators_behind_a_long_cable_are_told_to_look_like_one() -> None:
    """1000 m of AWG 24 between the ends: two read 85 Ω, which one terminator with full load reads
    too."""
    pair = MeasuredPair(loop=Conductor.parse("AWG24").loop(1000))
    judgement = judge_resistance(parallel(120, 120 + pair.loop), pair)
    assert judgement.level is Level.ATTENTION
    assert "both terminators of 120 or 150 Ω" in judgement.words
    assert "as well as one terminator of 120 Ω" in judgement.words
    assert "other end" in judgement.action


def test_a_far_short_is_not_taken_for_terminators() -> None:
    """60 Ω on a long cable may be a short 350 m away: the judgement does not say good."""
    judgement = judge_resistance(60, MeasuredPair(loop=168))
    assert judgement.level is Level.ATTENTION
    assert "short" in judgement.words


@given(
    st.integers(0, 5),
    st.floats(0.95, 1.05),
    st.floats(0, 32),
    st.one_of(st.just(math.inf), st.floats(900, 1300)),
    st.floats(0, 200),
)
def test_the_true_picture_is_always_among_those_that_fit(
    count: int, tolerance: float, loads: float, bias: float, loop: float
) -> None:
    """Whatever is connected within what was said of the pair, its picture is never ruled out."""
    near = [120 * tolerance] * min(count, 1)
    far = [120 * tolerance + loop] * (count - len(near))
    value = parallel(*near, *far, bias, 12_000 / loads if loads > 1e-6 else math.inf)
    picture = (
        Termination.NONE,
        Termination.ONE,
        Termination.BOTH,
        Termination.THREE,
        Termination.MANY,
        Termination.MANY,
    )[count]
    low, high = bounds(picture, MeasuredPair(loop=loop))
    assert low - 1e-9 <= value <= high + 1e-9


def test_an_unmeasured_pair_is_not_judged() -> None:
    """No reading, no verdict."""
    assert judge_resistance(None).level is Level.NOT_MEASURED


@pytest.mark.parametrize(
    ("value", "count"),
    [(math.inf, 0), (118.0, 1), (60.0, 2), (40.0, 3), (2.0, None), (850.0, 0), (None, None)],
)
def test_how_many_terminators_a_reading_shows(value: float | None, count: int | None) -> None:
    """None where a short, or several numbers fit: the idle voltage is then judged without it."""
    assert terminators_by(value) == count

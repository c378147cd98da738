"""The resistance between the wires with the power off: how many terminators does it fit?

The bounds follow from what is connected: terminators in parallel with receivers and bias, and the
cable's own loop resistance in series with what is at its far end.  Readings that fit two numbers of
terminators are said to.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from busprobe.wiring.arithmetic.bias import UNIT_LOAD, parallel
from busprobe.wiring.arithmetic.unit_loads import UNITS
from busprobe.wiring.meter import Judgement, Level, Measurement, not_measured, ohms

TOLERANCE = 0.05
"""Of a terminator's value (common practice; 5 % resistors)."""

LEADS = 5.0
"""Ω that meter leads and contacts may add (common practice)."""

COMMON, STANDARD = 120.0, 150.0
"""Ω of a terminator: fitted everywhere (common practice; V1.02 section 3.4.5 has it only in series
with 1 nF, which a meter cannot see), and the resistor that V1.02 section 3.4.5 names."""

SOURCE = (
    "MODBUS over Serial Line V1.02, section 3.4.5 (a terminator at both ends, never more than two,"
    " of 150 Ω, or of 120 Ω in series with 1 nF); 120 Ω alone common practice; receivers 12 kΩ a"
    " unit load (TI SN75ALS174 datasheet, 'Bus Loading'); bounds computed"
)


@dataclass(frozen=True)
class MeasuredPair:
    """What is known of the pair being measured; the defaults are the most load a short segment may
    carry."""

    terminator: float | None = None
    """Ω of each terminator; None where that is not known: 120, or 150 as in the standard."""
    unit_loads: float = UNITS
    """Most unit loads of receivers that may be connected (V1.02, section 3.4.1)."""
    bias: float = 900.0
    """Least Ω of pull-up and pull-down together (V1.02, section 3.4.6: 450 to 650 each); with the
    power off they lie across the pair or not at all."""
    loop: float = 0.0
    """Ω of both wires from the place of measurement to the far end."""


class Termination(Enum):
    """What a resistance can mean."""

    SHORT = "a short"
    MANY = "four terminators or more"
    THREE = "three terminators"
    BOTH = "both terminators"
    ONE = "one terminator"
    NONE = "no terminator"


_ACTIONS = {
    Termination.SHORT: (
        "Open the pair in the middle and measure both halves; follow the half that stays low."
    ),
    Termination.MANY: (
        "Look for built-in terminators that are switched on in units; leave two, one at each end."
    ),
    Termination.THREE: (
        "Look for a built-in terminator that is switched on in a unit; leave two, one at each end."
    ),
    Termination.BOTH: "",
    Termination.ONE: (
        "Take the cable off at one end and measure that end alone: the end without a terminator"
        " needs one."
    ),
    Termination.NONE: (
        "Look at both ends: no terminator fitted, one of 120 Ω in series with a capacitor (V1.02"
        " section 3.4.5; a meter cannot see it), or an open wire."
    ),
}

_COUNTS = {Termination.NONE: 0, Termination.ONE: 1, Termination.BOTH: 2, Termination.THREE: 3}

_LEVELS = {
    Termination.SHORT: Level.WRONG,
    Termination.MANY: Level.WRONG,
    Termination.THREE: Level.WRONG,
    Termination.BOTH: Level.GOOD,
    Termination.ONE: Level.ATTENTION,
    Termination.NONE: Level.ATTENTION,
}


@dataclass(frozen=True)
class _Fit:
    """What a reading can mean, and for which terminators."""

    termination: Termination
    ohms: tuple[float, ...]
    """Ω of a terminator for which it can mean that."""

    @property
    def words(self) -> str:
        if self.termination in (Termination.SHORT, Termination.NONE):
            return str(self.termination.value)
        return f"{self.termination.value} of {' or '.join(f'{one:g}' for one in self.ohms)} Ω"


def bounds(
    termination: Termination, pair: MeasuredPair, terminator: float = COMMON
) -> tuple[float, float]:
    """Least and most Ω that a meter at one end can show for `termination` with such terminators.

    Least: smallest terminators, all receivers' and bias' load beside them, no cable.  Most: largest
    terminators, no load, and all but one of them at the far end of the cable.
    """
    load = parallel(UNIT_LOAD / pair.unit_loads if pair.unit_loads else math.inf, pair.bias)
    small, large = terminator * (1 - TOLERANCE), terminator * (1 + TOLERANCE)

    def least(count: int) -> float:
        return parallel(*[small] * count, load)

    def most(count: int) -> float:
        return parallel(large, *[large + pair.loop] * (count - 1)) + LEADS

    match termination:
        case Termination.SHORT:
            return 0.0, LEADS + pair.loop  # a short may lie at the far end
        case Termination.MANY:
            return LEADS, most(4)
        case Termination.THREE:
            return least(3), most(3)
        case Termination.BOTH:
            return least(2), most(2)
        case Termination.ONE:
            return least(1), large + pair.loop + LEADS
        case Termination.NONE:
            return min(load, 10 * UNIT_LOAD), math.inf


def judge_resistance(value: float | None, pair: MeasuredPair | None = None) -> Judgement:
    """Judge Ω measured between the wires with all power off; None is not measured.

    Where the terminators are not known, 120 Ω is assumed, but for a reading that two of 150 Ω give:
    the verdict names what it holds for.
    """
    pair = pair or MeasuredPair()
    if value is None:
        return not_measured(Measurement.RESISTANCE)
    fits = _fitting(value, pair)
    limits = "two terminators with what is connected: " + ", ".join(
        f"{low:.0f} to {high:.0f} Ω of {one:g} Ω"
        for one in _possible(pair)
        for low, high in [bounds(Termination.BOTH, pair, one)]
    )
    if not fits:
        level = Level.ATTENTION
        words = (
            f"{ohms(value)} fits no number of terminators: something in series, or something else"
            " on the pair."
        )
        action = (
            "Look for a poor contact, a terminator of another value, or a wire shared with another"
            " system."
        )
    elif len(fits) == 1:
        level, action = _LEVELS[fits[0].termination], _ACTIONS[fits[0].termination]
        words = f"{ohms(value)} fits {fits[0].words}."
    else:
        levels = {_LEVELS[fit.termination] for fit in fits}
        level = levels.pop() if len(levels) == 1 else Level.ATTENTION
        *some, last = (fit.words for fit in fits)
        words = f"{ohms(value)} fits {', '.join(some)} as well as {last}: one reading cannot tell."
        action = "Measure at the other end too, or lift one terminator and measure again."
    return Judgement(Measurement.RESISTANCE, ohms(value), level, words, action, limits, SOURCE)


def terminators_by(value: float | None, pair: MeasuredPair | None = None) -> int | None:
    """How many terminators Ω between the wires, all power off, show; None where several numbers
    fit, or none does.

    One in series with a capacitor does not show, and counts as none.
    """
    fits = [] if value is None else _fitting(value, pair or MeasuredPair())
    return _COUNTS.get(fits[0].termination) if len(fits) == 1 else None


def _possible(pair: MeasuredPair) -> tuple[float, ...]:
    return (COMMON, STANDARD) if pair.terminator is None else (pair.terminator,)


def _fitting(value: float, pair: MeasuredPair) -> tuple[_Fit, ...]:
    first, *others = _possible(pair)
    found = {termination: [first] for termination in _pictures(value, pair, first)}
    for other in others:
        pictures = [*_pictures(value, pair, other)]
        for termination in pictures if not found else {Termination.BOTH}.intersection(pictures):
            found.setdefault(termination, []).append(other)
    return tuple(_Fit(one, tuple(found[one])) for one in Termination if one in found)


def _pictures(value: float, pair: MeasuredPair, terminator: float) -> Iterator[Termination]:
    for termination in Termination:
        low, high = bounds(termination, pair, terminator)
        if low <= value <= high:
            yield termination

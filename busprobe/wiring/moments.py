"""What the moments of errors say: in bursts, at a steady pace, since something happened, or up to
it.

Each claim is made only where chance would look the same in less than one of a hundred runs;
otherwise nothing is said.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import sqrt
from statistics import fmean, pstdev

from busprobe.wiring.advice import Cause, Observation, observed
from busprobe.wiring.wording import units

_FEWEST = 5
"""Errors below which their moments mean nothing (common practice)."""

_CHANCE = 0.01
"""How likely chance may be where something is claimed; our choice."""

_HALF = 0.5
"""Share of the time in which all errors lie, above which 'only since' or 'only until' is not worth
a word."""

_STEADY = 0.1
"""Standard deviation of intervals over their mean, at most, of what comes at a steady pace; chance
gives about 1."""

_ROUNDS_APART = 3
"""Rounds of asking between errors, at least, of a pace that is not just that of our own asking."""

_DEVIATIONS = 4.0
"""Standard deviations above the mean from which the index of dispersion speaks for bursts."""


@dataclass(frozen=True)
class Failure:
    """One exchange without a sound reply."""

    seconds: float
    """From the start of the watch."""
    address: int


@dataclass(frozen=True)
class Watch:
    """The failures of a stretch of time in which units were asked all along."""

    seconds: float
    rounds: int
    """How often each unit was asked meanwhile."""
    failures: Sequence[Failure]
    """All of them, in the order of time."""
    longest_round: float = 0.0
    """Seconds that the longest round took: one in which a reply is waited for in vain takes many
    times as long."""

    def without(self, addresses: Collection[int]) -> Watch:
        """The same less the failures of units that are no matter of time, since they never
        answer."""
        return replace(
            self, failures=tuple(each for each in self.failures if each.address not in addresses)
        )

    @property
    def rounds_hit(self) -> tuple[int, ...]:
        """Numbers, from 0, of the rounds with a failure; all rounds are taken to be as long."""
        return tuple(
            sorted({int(each.seconds / self.seconds * self.rounds) for each in self.failures})
        )


def by_time(watch: Watch) -> Observation | None:
    """What the moments of failures suggest; None where they look like chance, or are too few."""
    if len(watch.failures) < _FEWEST or not watch.rounds or watch.seconds <= 0:
        return None
    return _one_sided(watch) or _steady(watch) or _in_bursts(watch)


def _one_sided(watch: Watch) -> Observation | None:
    """All failures late, or all early: by chance, n rounds lie in a share s of the time in one of 1
    / s^n runs."""
    count = len(watch.rounds_hit)
    first, last = watch.failures[0].seconds, watch.failures[-1].seconds
    since, until = 1 - first / watch.seconds, last / watch.seconds
    if count < _FEWEST or min(since, until) > _HALF or min(since, until) ** count >= _CHANCE:
        return None
    where = units({failure.address for failure in watch.failures})
    when = f"after {_time(first)}" if since <= until else f"in the first {_time(last)}"
    return observed(
        f"All {len(watch.failures)} failures, at {where}, came {when} of {_time(watch.seconds)}.",
        Cause.BROKEN_WIRE,
        Cause.NOISE,
        Cause.NO_SUPPLY,
    )


def _steady(watch: Watch) -> Observation | None:
    """Failures at a steady pace that is not the pace of our own asking."""
    hit = watch.rounds_hit
    starts = [this for before, this in pairwise((-2, *hit)) if this > before + 1]
    intervals = [later - earlier for earlier, later in pairwise(starts)]
    if len(intervals) < _FEWEST:
        return None
    period = fmean(intervals)
    if pstdev(intervals) > _STEADY * period or period < _ROUNDS_APART:
        return None
    seconds = period * watch.seconds / watch.rounds
    if seconds < _ROUNDS_APART * watch.longest_round:
        return None  # round after round failed, each as long as the wait for the reply
    return observed(
        f"Failures come every {_time(seconds)}, {len(starts)} times in {_time(watch.seconds)}.",
        Cause.OTHER_MASTER,
        Cause.NOISE,
        Cause.NO_SUPPLY,
    )


def _in_bursts(watch: Watch) -> Observation | None:
    """Failures that crowd: their counts in as many equal spans as there are failures vary more than
    chance gives.

    Chance gives counts whose variance is their mean; times (spans - 1) over the mean it follows
    chi-squared, with mean spans - 1 and variance 2 (spans - 1) (index of dispersion, from memory).
    """
    spans = len(watch.failures)
    counts = [0] * spans
    for failure in watch.failures:
        counts[min(spans - 1, int(failure.seconds / watch.seconds * spans))] += 1
    dispersion = sum((count - 1) ** 2 for count in counts)
    if dispersion <= spans - 1 + _DEVIATIONS * sqrt(2 * (spans - 1)):
        return None
    hit = {failure.address for failure in watch.failures}
    if len(hit) > 1:
        return observed(
            f"Failures come in bursts that hit {units(hit)} alike.", Cause.NOISE, Cause.BROKEN_WIRE
        )
    return observed(
        f"Failures come in bursts at {units(hit)} alone.",
        Cause.UNIT_ITSELF,
        Cause.NO_SUPPLY,
        Cause.CLASH,
    )


def _time(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 120 else f"{seconds / 60:.0f} min"

"""What can be said of measured reply times and of failures that were counted.  Pure arithmetic.

Everything is kept as counts, so that a run of days takes no more memory than one of minutes and can
go on from a file.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Generic, TypeVar

Unit = TypeVar("Unit", bound=Hashable)

CONFIDENCE = 0.95
"""Confidence of the bound on an error rate."""

SIGNIFICANCE = 0.01
"""How unlikely chance has to be before a pattern in the failures is claimed; our choice."""

RESOLUTION = 0.0001
"""Seconds to which times are kept: one bit at 9600 baud, far finer than a USB adapter tells (16 ms
at worst)."""


@dataclass(frozen=True)
class Times:
    """Measured times as a histogram in steps of `RESOLUTION`."""

    steps: Mapping[int, int] = field(default_factory=dict)
    """Steps of `RESOLUTION` to how many times fell there."""

    def adding(self, seconds: float) -> Times:
        """These times and one more."""
        step = round(seconds / RESOLUTION)
        return Times({**self.steps, step: self.steps.get(step, 0) + 1})

    @property
    def count(self) -> int:
        """How many times were measured."""
        return sum(self.steps.values())

    def percentile(self, percent: float) -> float | None:
        """The smallest measured time in seconds that at least `percent` of all do not exceed
        (nearest rank).

        None if nothing was measured.
        """
        rank = max(1, math.ceil(self.count * percent / 100))
        for step in sorted(self.steps):
            rank -= self.steps[step]
            if rank <= 0:
                return step * RESOLUTION
        return None

    @property
    def minimum(self) -> float | None:
        """The shortest time in seconds."""
        return self.percentile(0)

    @property
    def median(self) -> float | None:
        """The time in seconds that half of all do not exceed; the lower one of an even number."""
        return self.percentile(50)

    @property
    def maximum(self) -> float | None:
        """The longest time in seconds."""
        return self.percentile(100)


MOST_STRETCHES = 720
"""Stretches of a run that failures are counted in; as many points as a wide plot has, and little to
store."""


@dataclass(frozen=True)
class FailuresOverTime:
    """When failures came: how many fell into each stretch of the run.

    A stretch doubles whenever a run gets longer than `MOST_STRETCHES` of it, so that a day takes no
    more room than a minute.
    """

    stretch_s: float = 1.0
    counts: Mapping[int, int] = field(default_factory=dict)
    """Number of a stretch, from 0, to failures in it."""

    def adding(self, seconds: float) -> FailuresOverTime:
        """These and one more, at `seconds` of the run."""
        if seconds >= MOST_STRETCHES * self.stretch_s:
            return self._coarser().adding(seconds)
        index = int(seconds / self.stretch_s)
        return FailuresOverTime(
            self.stretch_s, {**self.counts, index: self.counts.get(index, 0) + 1}
        )

    def spread(self, seconds: float, columns: int) -> tuple[int, ...]:
        """Failures in each of `columns` equal parts of a run of `seconds`."""
        parts = [0] * columns
        for index, count in self.counts.items():
            middle = (index + 0.5) * self.stretch_s
            parts[min(columns - 1, int(middle / max(seconds, self.stretch_s) * columns))] += count
        return tuple(parts)

    def _coarser(self) -> FailuresOverTime:
        counts: dict[int, int] = {}
        for index, count in self.counts.items():
            counts[index // 2] = counts.get(index // 2, 0) + count
        return FailuresOverTime(2 * self.stretch_s, counts)


def milliseconds(seconds: float | None) -> float | None:
    """Seconds in milliseconds to a tenth, for documents; None stays None."""
    return None if seconds is None else round(1000 * seconds, 1)


def polls_for(bound: float) -> int:
    """Polls without a failure after which the error rate is at most `bound`, with 95 % confidence.

    The inverse of `error_bound` without a failure.
    """
    return math.ceil(math.log(1 - CONFIDENCE) / math.log1p(-bound))


def error_bound(polls: int, failed: int) -> float:
    """The error rate that is not exceeded with 95 % confidence after `failed` of `polls` failed
    independently.

    The exact one-sided bound: the rate at which so few failures would be seen in 5 % of all runs.
    Without a failure it is 1 - 0.05^(1/N), about 3/N.  Sources, from memory: Clopper and Pearson,
    Biometrika 26 (1934), page 404; for the rule of three Hanley and Lippman-Hand, JAMA 249 (1983),
    page 1743.
    """
    if failed >= polls:
        return 1.0
    if failed == 0:
        return float(-math.expm1(math.log(1 - CONFIDENCE) / polls))
    low, high = failed / polls, 1.0
    for _ in range(60):  # halving 60 times is finer than a float of this size
        middle = (low + high) / 2
        if binomial_at_most(failed, polls, middle) > 1 - CONFIDENCE:
            low = middle
        else:
            high = middle
    return high


def error_floor(polls: int, failed: int) -> float:
    """The error rate that is at least there with 95 % confidence after `failed` of `polls` failed
    independently; 0 without a failure.

    The other end of `error_bound`: the rate at which so many failures would be seen in 5 % of all
    runs.
    """
    if not failed:
        return 0.0
    return 1 - error_bound(polls, polls - failed)  # of what did not fail


def binomial_at_most(successes: int, trials: int, chance: float) -> float:
    """Probability of at most `successes` in `trials` independent ones of `chance` each."""
    if successes < 0:
        return 0.0
    if successes >= trials or chance <= 0:
        return 1.0
    if chance >= 1:
        return 0.0
    if successes > trials * chance:  # the other tail is the short one
        return 1 - binomial_at_most(trials - successes - 1, trials, 1 - chance)
    log_term = (
        math.lgamma(trials + 1)
        - math.lgamma(successes + 1)
        - math.lgamma(trials - successes + 1)
        + successes * math.log(chance)
        + (trials - successes) * math.log1p(-chance)
    )
    term = math.exp(log_term)
    total = 0.0
    for k in range(successes, -1, -1):
        total += term
        if term <= total * 1e-17:
            break  # the rest is below what a float can add
        term *= k / (trials - k + 1) * (1 - chance) / chance
    return total


@dataclass(frozen=True)
class FailurePattern(Generic[Unit]):
    """Where and when the failures of a run came."""

    together: bool
    """Failures come at several units in the same round more often than chance explains."""
    standing_out: tuple[Unit, ...]
    """Units that fail more often than an equal share of all failures explains."""


def find_pattern(
    rounds: int, failed_rounds: Mapping[Unit, int], shared_rounds: int, shared_pairs: int
) -> FailurePattern[Unit]:
    """Tell failures that strike several units at once from those at one unit.

    `failed_rounds` says in how many of `rounds` rounds each unit failed, `shared_rounds` in how
    many two or more did, and `shared_pairs` how many pairs of units failing together there were
    over all rounds.

    Together: were the units independent, the chance that two or more fail in a round would follow
    from the units' own rates, and so would mean and variance of the number of pairs.  Failures
    count as together where so many shared rounds (at least two) or so many pairs come by chance in
    less than 0.5 % of runs each.  Rounds tell most where units are few; pairs tell it where two
    units are dead, so that every round is shared.  Whatever the distribution of pairs looks like, a
    value k standard deviations above the mean has a chance of at most 1 / (1 + k²) (Cantelli's
    inequality, from memory).

    Standing out: were all units alike, each failure would fall on any of n units with a chance of
    1/n.  A unit with so many that chance gives as many in less than 1 % of runs, divided by n for
    having looked at n units, stands out.
    """
    units = len(failed_rounds)
    together = False
    if shared_rounds >= 2:
        at_once = _at_once([failed / rounds for failed in failed_rounds.values()])
        mean = sum(p * math.comb(number, 2) for number, p in enumerate(at_once))
        variance = sum(p * math.comb(number, 2) ** 2 for number, p in enumerate(at_once)) - mean**2
        beyond = shared_pairs - rounds * mean
        each = SIGNIFICANCE / 2
        many_pairs = beyond > 0 and beyond**2 * each > (1 - each) * rounds * variance
        together = many_pairs or _at_least(shared_rounds, rounds, math.fsum(at_once[2:])) < each
    total = sum(failed_rounds.values())
    standing_out = tuple(
        unit
        for unit, failed in failed_rounds.items()
        if failed and _at_least(failed, total, 1 / units) < SIGNIFICANCE / units
    )
    return FailurePattern(together, standing_out)


def _at_least(successes: int, trials: int, chance: float) -> float:
    return binomial_at_most(trials - successes, trials, 1 - chance)


def _at_once(chances: Sequence[float]) -> list[float]:
    """The chance that exactly so many of independent events happen, from none to all."""
    exactly = [1.0]
    for chance in chances:
        exactly = [
            here * (1 - chance) + before * chance
            for here, before in zip([*exactly, 0.0], [0.0, *exactly], strict=True)
        ]
    return exactly

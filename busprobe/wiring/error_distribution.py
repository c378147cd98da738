"""What the distribution of errors says: along the cable, over baud rates, and over time.

Each is a hint with its causes, never a proof; the thresholds are common practice and err on the
side of saying nothing.  Over time a claim is made only where chance would look the same in less
than one of a hundred runs.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import sqrt
from statistics import fmean, pstdev

from busprobe.wiring.causes import Cause, Observation, observed
from busprobe.wiring.wording import counted, units

_FEWEST = 5
"""Errors below which a distribution means nothing (common practice)."""

_MUCH = 3.0
"""Ratio of two error rates that is worth a word."""

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
class PollCounts:
    """Exchanges counted."""

    asked: int
    failed: int
    """Those of them without a sound reply."""

    @property
    def rate(self) -> float:
        """Share that failed; 0 if nothing was asked."""
        return self.failed / self.asked if self.asked else 0.0

    def __add__(self, other: PollCounts) -> PollCounts:
        return PollCounts(self.asked + other.asked, self.failed + other.failed)


@dataclass(frozen=True)
class FailedPoll:
    """One exchange without a sound reply."""

    seconds: float
    """From the start of the period."""
    address: int


@dataclass(frozen=True)
class PollingPeriod:
    """The failures of a stretch of time in which units were asked all along."""

    seconds: float
    rounds: int
    """How often each unit was asked meanwhile."""
    failures: Sequence[FailedPoll]
    """All of them, in the order of time."""
    longest_round: float = 0.0
    """Seconds that the longest round took: one in which a reply is waited for in vain takes many
    times as long."""

    def without(self, addresses: Collection[int]) -> PollingPeriod:
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


@dataclass(frozen=True)
class RunCounts:
    """What a run of exchanges with units came to."""

    tallies: Mapping[tuple[int, int], PollCounts]
    """By unit address and baud rate."""
    period: PollingPeriod
    """When they failed."""


def error_patterns(runs: Sequence[RunCounts], order: Sequence[int]) -> tuple[Observation, ...]:
    """What the last of `runs` says by position and by time, and all of them together by baud rate.

    `order` is the unit addresses from the adapter outwards, as far as it is known.
    """
    if not runs:
        return ()
    last = runs[-1]
    by_address: dict[int, PollCounts] = {}
    for (address, _), tally in last.tallies.items():
        by_address[address] = by_address.get(address, PollCounts(0, 0)) + tally
    silent = {address for address, tally in by_address.items() if tally.failed == tally.asked}
    found = (
        by_position(order, by_address),
        by_baud(_at_several_rates([run.tallies for run in runs])),
        by_time(last.period.without(silent)),
    )
    return tuple(observation for observation in found if observation is not None)


def by_position(order: Sequence[int], tallies: Mapping[int, PollCounts]) -> Observation | None:
    """What failures along the cable suggest; `order` is the unit addresses from the adapter
    outwards.

    Addresses without a tally, or never asked, are passed over.
    """
    known = [address for address in order if address in tallies and tallies[address].asked]
    silent = [tallies[address].failed == tallies[address].asked for address in known]
    first = silent.index(True) if True in silent else len(known)
    if 0 < first < len(known) - 1 and all(silent[first:]):
        return observed(
            f"All units from {known[first]} on along the cable are silent, those up to"
            f" {known[first - 1]} answer.",
            Cause.BROKEN_WIRE,
            Cause.NO_SUPPLY,
        )
    if any(silent):
        return None  # single units: not a matter of position
    half = len(known) // 2
    near = sum((tallies[address] for address in known[:half]), PollCounts(0, 0))
    far = sum((tallies[address] for address in known[len(known) - half :]), PollCounts(0, 0))
    if half and far.failed >= _FEWEST and far.rate >= _MUCH * near.rate:
        return observed(
            f"Errors grow along the cable: {near.failed} of {near.asked} in the near half,"
            f" {far.failed} of {far.asked} in the far half.",
            Cause.REFLECTIONS,
            Cause.NO_SUPPLY,
            Cause.NOISE,
        )
    return None


def by_baud(tallies: Mapping[int, PollCounts]) -> Observation | None:
    """What the same exchanges at several baud rates suggest; the keys are baud rates."""
    asked = {baud: tally for baud, tally in tallies.items() if tally.asked}
    if len(asked) < 2:
        return None
    slow, fast = min(asked), max(asked)
    seen = (
        f"Of {counted(asked[fast].asked, 'exchange')} at {fast} baud {asked[fast].failed} failed,"
        f" of {asked[slow].asked} at {slow} baud {asked[slow].failed}."
    )
    if asked[fast].failed >= _FEWEST and asked[fast].rate >= _MUCH * asked[slow].rate:
        return observed(seen, Cause.REFLECTIONS, Cause.NOISE)
    if asked[slow].failed >= _FEWEST and asked[fast].failed >= _FEWEST:
        return observed(
            f"{seen} The baud rate makes little difference.", Cause.NOISE, Cause.MISSING_BIAS
        )
    return None


def _at_several_rates(
    runs: Sequence[Mapping[tuple[int, int], PollCounts]],
) -> dict[int, PollCounts]:
    """Tallies by baud rate of the units asked at more than one: others would compare units, not
    rates."""
    rates: dict[int, set[int]] = {}
    for address, baud in (key for run in runs for key, tally in run.items() if tally.asked):
        rates.setdefault(address, set()).add(baud)
    by_rate: dict[int, PollCounts] = {}
    for (address, baud), tally in (item for run in runs for item in run.items()):
        if len(rates.get(address, ())) > 1:
            by_rate[baud] = by_rate.get(baud, PollCounts(0, 0)) + tally
    return by_rate


def by_time(period: PollingPeriod) -> Observation | None:
    """What the moments of failures suggest; None where they look like chance, or are too few."""
    if len(period.failures) < _FEWEST or not period.rounds or period.seconds <= 0:
        return None
    return _one_sided(period) or _steady(period) or _in_bursts(period)


def _one_sided(period: PollingPeriod) -> Observation | None:
    """All failures late, or all early: by chance, n rounds lie in a share s of the time in one of 1
    / s^n runs."""
    count = len(period.rounds_hit)
    first, last = period.failures[0].seconds, period.failures[-1].seconds
    since, until = 1 - first / period.seconds, last / period.seconds
    if count < _FEWEST or min(since, until) > _HALF or min(since, until) ** count >= _CHANCE:
        return None
    where = units({failure.address for failure in period.failures})
    when = f"after {_time(first)}" if since <= until else f"in the first {_time(last)}"
    return observed(
        f"All {len(period.failures)} failures, at {where}, came {when} of {_time(period.seconds)}.",
        Cause.BROKEN_WIRE,
        Cause.NOISE,
        Cause.NO_SUPPLY,
    )


def _steady(period: PollingPeriod) -> Observation | None:
    """Failures at a steady pace that is not the pace of our own asking."""
    hit = period.rounds_hit
    starts = [this for before, this in pairwise((-2, *hit)) if this > before + 1]
    intervals = [later - earlier for earlier, later in pairwise(starts)]
    if len(intervals) < _FEWEST:
        return None
    mean = fmean(intervals)
    if pstdev(intervals) > _STEADY * mean or mean < _ROUNDS_APART:
        return None
    seconds = mean * period.seconds / period.rounds
    if seconds < _ROUNDS_APART * period.longest_round:
        return None  # round after round failed, each as long as the wait for the reply
    return observed(
        f"Failures come every {_time(seconds)}, {len(starts)} times in {_time(period.seconds)}.",
        Cause.OTHER_MASTER,
        Cause.NOISE,
        Cause.NO_SUPPLY,
    )


def _in_bursts(period: PollingPeriod) -> Observation | None:
    """Failures that crowd: their counts in as many equal spans as there are failures vary more than
    chance gives.

    Chance gives counts whose variance is their mean; times (spans - 1) over the mean it follows
    chi-squared, with mean spans - 1 and variance 2 (spans - 1) (index of dispersion, from memory).
    """
    spans = len(period.failures)
    counts = [0] * spans
    for failure in period.failures:
        counts[min(spans - 1, int(failure.seconds / period.seconds * spans))] += 1
    dispersion = sum((count - 1) ** 2 for count in counts)
    if dispersion <= spans - 1 + _DEVIATIONS * sqrt(2 * (spans - 1)):
        return None
    hit = {failure.address for failure in period.failures}
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

"""What the distribution of errors says: along the cable, over baud rates, and over time.

Each is a hint with its causes, never a proof; the thresholds are common practice and err on the
side of saying nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busprobe.wiring.advice import Cause, Observation, observed
from busprobe.wiring.moments import Watch, by_time
from busprobe.wiring.wording import counted

_FEWEST = 5
"""Errors below which a distribution means nothing."""

_MUCH = 3.0
"""Ratio of two error rates that is worth a word."""


@dataclass(frozen=True)
class Tally:
    """Exchanges counted."""

    asked: int
    failed: int
    """Those of them without a sound reply."""

    @property
    def rate(self) -> float:
        """Share that failed; 0 if nothing was asked."""
        return self.failed / self.asked if self.asked else 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(self.asked + other.asked, self.failed + other.failed)


def by_position(order: Sequence[int], tallies: Mapping[int, Tally]) -> Observation | None:
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
    near = sum((tallies[address] for address in known[:half]), Tally(0, 0))
    far = sum((tallies[address] for address in known[len(known) - half :]), Tally(0, 0))
    if half and far.failed >= _FEWEST and far.rate >= _MUCH * near.rate:
        return observed(
            f"Errors grow along the cable: {near.failed} of {near.asked} in the near half,"
            f" {far.failed} of {far.asked} in the far half.",
            Cause.REFLECTIONS,
            Cause.NO_SUPPLY,
            Cause.NOISE,
        )
    return None


def by_baud(tallies: Mapping[int, Tally]) -> Observation | None:
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


@dataclass(frozen=True)
class Counted:
    """What a run of exchanges with units came to."""

    tallies: Mapping[tuple[int, int], Tally]
    """By unit address and baud rate."""
    watch: Watch
    """When they failed."""


def patterns(runs: Sequence[Counted], order: Sequence[int]) -> tuple[Observation, ...]:
    """What the last of `runs` says by position and by time, and all of them together by baud rate.

    `order` is the unit addresses from the adapter outwards, as far as it is known.
    """
    if not runs:
        return ()
    last = runs[-1]
    by_address: dict[int, Tally] = {}
    for (address, _), tally in last.tallies.items():
        by_address[address] = by_address.get(address, Tally(0, 0)) + tally
    silent = {address for address, tally in by_address.items() if tally.failed == tally.asked}
    found = (
        by_position(order, by_address),
        by_baud(_at_several_rates([run.tallies for run in runs])),
        by_time(last.watch.without(silent)),
    )
    return tuple(observation for observation in found if observation is not None)


def _at_several_rates(runs: Sequence[Mapping[tuple[int, int], Tally]]) -> dict[int, Tally]:
    """Tallies by baud rate of the units asked at more than one: others would compare units, not
    rates."""
    rates: dict[int, set[int]] = {}
    for address, baud in (key for run in runs for key, tally in run.items() if tally.asked):
        rates.setdefault(address, set()).add(baud)
    by_rate: dict[int, Tally] = {}
    for (address, baud), tally in (item for run in runs for item in run.items()):
        if len(rates.get(address, ())) > 1:
            by_rate[baud] = by_rate.get(baud, Tally(0, 0)) + tally
    return by_rate

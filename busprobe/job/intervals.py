"""How often each value is wanted: what the technician said, kept with the job."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from busprobe.errors import UsageError
from busprobe.job.job import Job
from busprobe.text import number_within

USUAL = 10.0
"""Seconds after which a new value is taken to be wanted as long as nobody said; our choice."""

SHORTEST, LONGEST = 0.01, 86_400.0
"""Seconds: below the time of any exchange on a pair, and a day."""

_KEY = "intervals"


@dataclass(frozen=True)
class Intervals:
    """Seconds after which new values are wanted."""

    every: float | None = None
    """For all points without an interval of their own; `None` = nobody said, `USUAL` is taken."""
    points: Mapping[tuple[str, str], float] = field(default_factory=dict)
    """Device type (profile id) and name of a point to its own interval."""

    def of(self, profile: str | None, point: str) -> float:
        """The interval of this point of this device type."""
        usual = USUAL if self.every is None else self.every
        return usual if profile is None else self.points.get((profile, point), usual)

    def with_point(self, profile: str, point: str, seconds: float | None) -> Intervals:
        """The same with another interval for one point; `None` takes its own away."""
        points = {key: value for key, value in self.points.items() if key != (profile, point)}
        if seconds is not None:
            points[profile, point] = seconds
        return replace(self, points=points)


@dataclass(frozen=True)
class _Kept:
    """The form in which the job keeps them."""

    every: float | None
    points: tuple[tuple[str, str, float], ...]


def parse_interval(text: str) -> float:
    """Seconds as somebody types them, ``0.5`` or ``0,5``; raises `UsageError` for what is no such
    time."""
    seconds = number_within(text, SHORTEST, LONGEST)
    if seconds is None:
        raise UsageError(
            f"'{text.strip()[:20]}' is no interval.",
            todo=f"Give seconds from {SHORTEST:g} to {LONGEST:.0f}.",
        )
    return seconds


def keep_intervals(job: Job, intervals: Intervals) -> None:
    """Keep how often values are wanted."""
    points = [[profile, point, seconds] for (profile, point), seconds in intervals.points.items()]
    job.set_state(_KEY, {"every": intervals.every, "points": points})


def kept_intervals(job: Job) -> Intervals:
    """What was kept; nothing said at first."""
    kept = job.state(_KEY, _Kept)
    if kept is None:
        return Intervals()
    return Intervals(
        kept.every, {(profile, point): seconds for profile, point, seconds in kept.points}
    )

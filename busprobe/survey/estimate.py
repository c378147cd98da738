"""How long what is left of a survey takes, and what that rests on: pure values, as the schedule
itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from busprobe.line.settings import LineSettings
from busprobe.line.timing import exchange_time
from busprobe.modbus.requests import READ_REQUEST_BYTES
from busprobe.survey.probes import LIKELY
from busprobe.survey.schedule import BLOCK, Schedule
from busprobe.survey.waits import PATIENCE, Pace

LISTEN_FIRST = 2.0
"""Seconds of listening before the first probe; the technician may listen longer before the survey.
"""

_USUAL = 0.012
"""Seconds in which most units begin to reply (common practice: 5 to 30 ms)."""
_LOOK_EXCHANGES = 9
_LOOK_REPLY_BYTES = 11
"""Bytes of a reply in the mean, in the close look at a unit that has something to say of itself."""
_SHORT_REPLY_BYTES = 8
_CONTROLS = 3
"""Addresses asked at each setting to see whether one unit answers everywhere."""


@dataclass(frozen=True)
class Estimate:
    """How long it takes, counted from now."""

    seconds: float
    """Until everything is asked if no unit is found beyond `units`, nor at further line
    settings."""
    units: int
    """How many units that counts with: those found and those still expected."""
    each: float
    """Seconds that every further unit adds; below 0 where a close look is shorter than all the
    probes to an address without a unit."""
    thorough: float = 0.0
    """Seconds that every further line setting adds at which a unit is found; 0 where all are
    searched alike."""
    sooner: float | None = None
    """Seconds after which the expected number is found if the units lie evenly among the addresses;
    None where no number is expected, or where their settings are unknown, too."""
    further: float = 0.0
    """How many of the `seconds` are for what silent addresses are asked last of all: coils, inputs
    and registers of profiles."""

    def after(self, seconds: float) -> Estimate:
        """The same, to begin in so many `seconds`."""
        return replace(
            self,
            seconds=self.seconds + seconds,
            sooner=None if self.sooner is None else self.sooner + seconds,
        )

    def slowed(self, factor: float) -> Estimate:
        """The same where everything takes `factor` times as long."""
        return Estimate(
            factor * self.seconds,
            self.units,
            factor * self.each,
            factor * self.thorough,
            None if self.sooner is None else factor * self.sooner,
            factor * self.further,
        )

    def figure(self, say: Callable[[float], str]) -> str:
        """What it comes to; `say` puts seconds into words."""
        if self.sooner is not None:
            return f"about {say(self.sooner)}, at most {say(self.seconds)}"
        return f"about {say(self.seconds)}"

    @property
    def basis(self) -> str:
        """What it rests on."""
        further = "further " if self.units else ""
        adds = f"each {further}unit adds {max(0.0, self.each):.1f} s, a slow one or a clash more"
        if self.thorough:
            adds += f", and each {further}line setting with units {self.thorough:.0f} s"
        if self.further >= 1:
            adds += (
                f"; the last {self.further:.0f} s are for coils, inputs and registers of profiles"
            )
        if self.sooner is not None:
            return f"if the {self.units} units lie evenly among the addresses; {adds}"
        return f"if {f'there are {self.units} units' if self.units else 'no unit answers'}; {adds}"


def close_look(settings: LineSettings) -> float:
    """Seconds that the close look at an ordinary unit takes at `settings`."""
    return _LOOK_EXCHANGES * _answered(settings, _LOOK_REPLY_BYTES)


def _answered(settings: LineSettings, reply: int) -> float:
    """Seconds of an exchange with an ordinary unit, which begins no sooner than the standard lets
    it."""
    return exchange_time(settings, READ_REQUEST_BYTES, reply, max(_USUAL, settings.t3_5))


def estimate(
    schedule: Schedule,
    pace: Pace,
    *,
    found: int = 0,
    expect: int | None = None,
    look: float | None = None,
) -> Estimate:
    """What is left of `schedule` when `found` units are known, of perhaps `expect`.

    `look` is what a close look took on average, where some were taken.  Rests on units that answer
    as fast as most do (slow ones, clashes and noise take longer), and says so nowhere else.
    """
    head = schedule.head
    if head is None:
        return Estimate(0.0, found, 0.0)
    settings = head.settings
    places = len(schedule.everywhere) * len({sweep.settings for sweep in schedule.sweeps})
    more = max(0, min(expect or 0, places) - found)
    if more and not found:
        pace = pace.learnt(_USUAL)
        schedule = schedule.deepened(settings)
    look = close_look(settings) if look is None else look
    short = _answered(settings, _SHORT_REPLY_BYTES)
    left = [s for s in schedule.sweeps if s.settings == settings and not s.preliminary]
    kinds = {(s.probe, s.round): s.slot(pace) for s in left}
    # It is found by the first of them instead of waiting in vain, and checked once more at the end.
    each = look + 2 * short - sum(kinds.values())
    seconds = schedule.seconds_left(pace) + found * short + more * each
    seconds += PATIENCE if found + more else 0.0  # for late replies once more at the end
    sooner = _sooner(schedule, pace, found, more, look + short) if more else None
    return Estimate(
        seconds,
        found + more,
        each,
        _thorough(schedule, pace),
        sooner,
        schedule.seconds_further(pace),
    )


def _thorough(schedule: Schedule, pace: Pace) -> float:
    """What the first line setting adds at which no unit was found yet, if one is."""
    for settings in dict.fromkeys(s.settings for s in schedule.sweeps):
        if settings not in schedule.deep:
            return sum(sweep.seconds(pace) for sweep in schedule.rest_at(settings))
    return 0.0


def _sooner(schedule: Schedule, pace: Pace, found: int, more: int, unit: float) -> float | None:
    """When the last of `more` units is found, each of which takes `unit` seconds: of N numbers
    drawn from A the smallest is (A + 1) / (N + 1) and the greatest N times that in the mean."""
    sweeps = [s for s in schedule.sweeps if not s.preliminary]
    if not sweeps or any(s.settings != sweeps[0].settings for s in schedule.sweeps):
        return None
    head = sweeps[0]
    addresses = sum(
        len(s.addresses) for s in sweeps if (s.probe, s.round) == (head.probe, head.round)
    )
    if more > addresses:
        return None
    first = (addresses + 1) / (more + 1)
    seconds = (more * first - more) * head.slot(pace) + more * unit
    seconds += sum(s.seconds(pace) for s in schedule.sweeps if s.preliminary)
    if not found:
        # Before the first is found nothing is known of its speed, and two kinds of probes go to
        # all addresses.
        slow = Pace()
        seconds += first * (head.slot(slow) - head.slot(pace))
        seconds += first // BLOCK * BLOCK * replace(head, probe=LIKELY[1]).slot(slow)
        seconds += _CONTROLS * replace(head, probe=LIKELY[0]).slot(slow)
    return seconds

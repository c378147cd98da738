"""What to ask next: a pure value, with no clock and no port in it.

A survey is a row of sweeps.  The likely addresses are asked first at all settings, the likeliest
few of them before the others, then each setting in turn from end to end.  Where a unit was found
the settings move to the front, and are asked in every way there is at the end; last of all come
the registers that only some units have.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.line.timing import exchange_time
from busprobe.modbus.requests import READ_REQUEST_BYTES
from busprobe.survey.probes import BITS, LADDER, LIKELY, RARE, Probe, in_ladder
from busprobe.survey.quick_look import in_turn, seconds_at
from busprobe.survey.waits import PATIENCE, Pace

LIKELY_SETTINGS = ("9600-8N1", "19200-8E1", "9600-8E1", "19200-8N1")
"""The standard's default (V1.02 section 2.5.1: 19200, even parity) and what units are delivered
with instead (common practice)."""

LIKELY_ADDRESSES = (1, 247, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 16, 17, 20, 240)
"""Addresses units are delivered with or given first, common practice."""

LIKELIEST = 3
"""So many of them are asked at all settings before the others are: new units have the address they
were delivered with, at whatever settings."""

THOROUGH_UP_TO = 4
"""Up to so many settings every kind of probe is sent to every address; with more, only where a
unit was found."""

BLOCK = 32
"""Addresses that are gone through with one probe before the next comes, so that a unit that was
woken by the first is still awake (some doze off again within a minute; common practice)."""

BURST = 4
"""Addresses that are gone through with one of the rarer probes before the next comes: each is asked
several times within half a second (from 4800 baud on), so that a unit is awake for the last of them
that dozes off that soon and misses the first request or two."""

LONG_LOOK = 10.0
"""Seconds from which a quick look (those at 1200 baud) comes when the likely addresses were asked
at all settings; units are found elsewhere meanwhile."""

PRELIMINARY = 0
"""Round in which only the likely addresses are asked."""

_COMMON_BAUDS_BY_USE = (9600, 19200, 38400, 115200, 57600, 4800, 2400, 1200)


def common_settings(first: Iterable[LineSettings] = ()) -> tuple[LineSettings, ...]:
    """All common baud rates and formats, the likely ones first and then `first` (settings units are
    delivered with)."""
    likely = [LineSettings.parse(text) for text in LIKELY_SETTINGS]
    by_use = sorted(COMMON_BAUDS, key=_COMMON_BAUDS_BY_USE.index)
    rest = [LineSettings.parse(f"{baud}-{form}") for form in COMMON_FORMATS for baud in by_use]
    return tuple(dict.fromkeys((*likely, *first, *rest)))


@dataclass(frozen=True)
class Sweep:
    """One kind of probe to some addresses at one setting."""

    settings: LineSettings
    probe: Probe
    addresses: tuple[int, ...]
    """In the order they are asked; what is done is taken off."""
    round: int = 1
    """Counts up where the same is asked again because requests get lost; `PRELIMINARY` where it is
    asked again anyway."""

    @property
    def preliminary(self) -> bool:
        """Whether a full sweep comes later anyway, so that late replies need not be waited for
        now."""
        return self.round == PRELIMINARY

    def goes_on_as(self, other: Sweep) -> bool:
        """Whether `other` is the rest of this sweep, or as good as."""
        return (self.settings, self.probe, self.round) == (other.settings, other.probe, other.round)

    def wait(self, pace: Pace) -> float:
        """Seconds that a reply is waited for."""
        return pace.wait(self.probe, self.settings, again=self.round > 1)

    def slot(self, pace: Pace) -> float:
        """Seconds for one address that does not answer."""
        return exchange_time(self.settings, READ_REQUEST_BYTES, 0, self.wait(pace))

    def seconds(self, pace: Pace) -> float:
        """Seconds that it takes if no unit answers."""
        return len(self.addresses) * self.slot(pace)


@dataclass(frozen=True)
class Schedule:
    """The sweeps that are left."""

    sweeps: tuple[Sweep, ...]
    everywhere: tuple[int, ...]
    """All addresses of the survey, likely ones first."""
    deep: frozenset[LineSettings] = frozenset()
    """Settings at which every kind of probe is, or was, to be sent."""
    further: tuple[Probe, ...] = BITS
    """What is sent there last."""
    quick: tuple[LineSettings, ...] = ()
    """Where a quick look shows first whether anything is heard."""

    @classmethod
    def plan(
        cls,
        settings: Sequence[LineSettings],
        addresses: Collection[int],
        likely: Iterable[int] = (),
        suggested: Iterable[tuple[LineSettings, Probe, int]] = (),
        further: tuple[Probe, ...] = BITS,
        *,
        quick_look: bool = True,
    ) -> Schedule:
        """Plan to ask `addresses` at each of `settings`, which come in order of likelihood; where
        there are several, after a quick look at each unless `quick_look` says otherwise.

        `likely` are addresses to ask before the others; `suggested` are single probes to some of
        them that profiles propose; `further` ones go to all that are silent on the usual ones.
        """
        first = tuple(a for a in dict.fromkeys((*likely, *LIKELY_ADDRESSES)) if a in addresses)
        everywhere = tuple(dict.fromkeys((*first, *sorted(addresses))))
        sweeps: list[Sweep] = []
        if len(settings) > 1 and first:
            for some in (first[:LIKELIEST], first[LIKELIEST:]):
                sweeps += [Sweep(s, LADDER[0], some, round=PRELIMINARY) for s in settings if some]
        sweeps += [
            Sweep(s, probe, (a,), round=PRELIMINARY)
            for s, probe, a in suggested
            if s in settings and a in first
        ]
        for s in settings:
            sweeps += _in_blocks(s, LIKELY, everywhere, BLOCK)
        quick = in_turn(settings, len(everywhere)) if quick_look and len(settings) > 1 else ()
        schedule = cls(tuple(sweeps), everywhere, further=further, quick=quick)
        if len(settings) <= THOROUGH_UP_TO:
            for s in settings:
                schedule = schedule.deepened(s)
        return schedule

    @property
    def head(self) -> Sweep | None:
        """The sweep under way; None when all is done."""
        return self.sweeps[0] if self.sweeps else None

    def in_first_pass(self, found: Collection[LineSettings]) -> bool:
        """Whether units are still looked for where they are likeliest: by quick looks, at the
        likely addresses of all settings, and with the likeliest probe at the settings where some
        were `found`."""
        return bool(self.quick) or any(
            s.preliminary or (s.settings in found and s.probe == LADDER[0] and s.round == 1)
            for s in self.sweeps
        )

    @property
    def probes_left(self) -> int:
        """How many requests are left."""
        return sum(len(s.addresses) for s in self.sweeps)

    def seconds_left(self, pace: Pace) -> float:
        """Seconds that the rest takes if no unit answers."""
        lingers = sum(
            a.settings != b.settings and not a.preliminary for a, b in pairwise(self.sweeps)
        )
        quick = sum(seconds_at(settings, len(self.everywhere)) for settings in self.quick)
        sweeps = sum(s.seconds(pace) for s in self.sweeps)
        return quick + sweeps + PATIENCE * (lingers + bool(self.sweeps))

    def seconds_further(self, pace: Pace) -> float:
        """How much of that the `further` probes take, which come last of all."""
        return sum(s.seconds(pace) for s in self.sweeps if self.is_further(s))

    @property
    def quick_look_is_due(self) -> bool:
        """Whether a quick look comes next."""
        if not self.quick:
            return False
        likely_left = any(sweep.preliminary for sweep in self.sweeps)
        return not likely_left or seconds_at(self.quick[0], len(self.everywhere)) < LONG_LOOK

    def without_quick_looks(self) -> Schedule:
        """The same with no quick look any more."""
        return replace(self, quick=())

    def advanced(self) -> Schedule:
        """The same less the probe that comes next."""
        head = self.sweeps[0]
        left = replace(head, addresses=head.addresses[1:])
        return replace(self, sweeps=((left,) if left.addresses else ()) + self.sweeps[1:])

    def promoted(self, settings: LineSettings) -> Schedule:
        """Units at `settings` are looked for first: the likeliest probe goes to all addresses now,
        the next one when the likely addresses were asked at the other settings.

        What is left of the rarer probes keeps its place.  A unit that sleeps through the first one
        is awake for those.
        """
        likeliest, next_likely = (
            tuple(
                s
                for s in self.sweeps
                if s.settings == settings and s.probe == probe and s.round == 1
            )
            for probe in LIKELY
        )
        # The likely addresses are among those that are asked now anyway.
        others = tuple(
            s
            for s in self.sweeps
            if s not in likeliest
            and s not in next_likely
            and not (s.settings == settings and s.preliminary and s.probe == LADDER[0])
        )
        preliminary = tuple(s for s in others if s.preliminary)
        rest = tuple(s for s in others if not s.preliminary)
        return replace(self, sweeps=likeliest + preliminary + next_likely + rest)

    def demoted(self, settings: LineSettings) -> Schedule:
        """What is left at `settings` comes last."""
        mine = tuple(s for s in self.sweeps if s.settings == settings)
        return replace(self, sweeps=tuple(s for s in self.sweeps if s not in mine) + mine)

    def deepened(self, settings: LineSettings) -> Schedule:
        """Every kind of probe is sent at `settings`, after all settings were searched with the
        likeliest ones."""
        if settings in self.deep or not self.everywhere:
            return self
        usual = (s for s in self.sweeps if not self.is_further(s))
        last = filter(self.is_further, self.sweeps)
        sweeps = (*usual, *self._rare(settings), *last, *self._further(settings))
        return replace(self, sweeps=sweeps, deep=self.deep | {settings})

    def is_further(self, sweep: Sweep) -> bool:
        """Whether it is of those that come last of all, for units silent on the usual probes."""
        return sweep.probe in self.further and not sweep.preliminary

    def rest_at(self, settings: LineSettings) -> tuple[Sweep, ...]:
        """What every kind of probe comes to at `settings`, beyond the likeliest, in no order."""
        rare = tuple(Sweep(settings, probe, self.everywhere) for probe in RARE)
        return (*rare, *self._further(settings))

    def _rare(self, settings: LineSettings) -> tuple[Sweep, ...]:
        # The likeliest last: it is for those whom the others have woken.
        return tuple(_in_blocks(settings, RARE[::-1], self.everywhere, BURST))

    def _further(self, settings: LineSettings) -> tuple[Sweep, ...]:
        return _not_asked_before(settings, self.further, self.everywhere)

    def repeated(self, settings: LineSettings, rounds: int) -> Schedule:
        """The likeliest probe goes to all addresses at `settings` until each was asked in so many
        `rounds`, all kinds of probes counted."""
        again = range(2, 2 + rounds - len(LADDER))
        more = tuple(
            Sweep(settings, LADDER[0], block, round=number)
            for block in _blocks(self.everywhere, BLOCK)
            for number in again
        )
        return replace(self, sweeps=self.sweeps + more) if more else self

    def found_at(self, settings: LineSettings, address: int) -> Schedule:
        """The unit found at `address` need not be looked for any more."""
        return self.less(lambda sweep, asked: asked == address and sweep.settings == settings)

    def without(self, drop: Callable[[Sweep], bool]) -> Schedule:
        """The same less the sweeps that `drop` picks, and the quick looks where none is left."""
        sweeps = tuple(s for s in self.sweeps if not drop(s))
        left = {sweep.settings for sweep in sweeps}
        return replace(self, sweeps=sweeps, quick=tuple(s for s in self.quick if s in left))

    def less(self, asked: Callable[[Sweep, int], bool]) -> Schedule:
        """The same less the single probes that `asked` picks."""
        left = ((s, tuple(a for a in s.addresses if not asked(s, a))) for s in self.sweeps)
        return replace(
            self,
            sweeps=tuple(s if a == s.addresses else replace(s, addresses=a) for s, a in left if a),
        )


def _in_blocks(
    settings: LineSettings, probes: Sequence[Probe], addresses: tuple[int, ...], size: int
) -> Iterator[Sweep]:
    for block in _blocks(addresses, size):
        for probe in probes:
            yield Sweep(settings, probe, block)


def _blocks(addresses: tuple[int, ...], size: int) -> Iterator[tuple[int, ...]]:
    for start in range(0, len(addresses), size):
        yield addresses[start : start + size]


@lru_cache(maxsize=64)
def _not_asked_before(
    settings: LineSettings, further: tuple[Probe, ...], addresses: tuple[int, ...]
) -> tuple[Sweep, ...]:
    """Sweeps of the `further` probes, less what the usual ones ask for."""
    sweeps = _in_blocks(settings, further, addresses, BLOCK)
    left = ((s, tuple(a for a in s.addresses if not in_ladder(s.probe, a))) for s in sweeps)
    return tuple(replace(sweep, addresses=asked) for sweep, asked in left if asked)

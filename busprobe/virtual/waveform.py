"""The levels on the shared pair of wires: who drives it when, and what a receiver at any place on
it reads.

Where drivers overlap, the stronger one decides; among equally strong ones a disagreement reads as
space.  Both wires of a real pair then lie close together and the outcome depends on the drivers;
space is what published captures of colliding replies show most (from memory), and it is the worst
case for a start bit.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from math import isinf

from busprobe.virtual import uart
from busprobe.virtual.uart import Character, ReceiverSetup

_GLITCH_BITS = 9
"""A start bit and eight zero bits: the byte 00 in a format without parity."""

NO_DRIVER = object()
"""A driver that never drives."""


@dataclass(frozen=True, eq=False)
class Transmission:
    """Levels that one driver puts on the pair."""

    driver: object
    """Who drives; None for a disturbance that nobody sends."""
    start: float
    """Clock seconds of the first level."""
    baud: int
    """Levels a second."""
    symbols: str
    """One symbol of `busprobe.virtual.uart` a bit time."""
    strength: int = 1
    """A stronger driver overrules a weaker one."""
    let_go: float | None = None
    """Clock seconds until which the last level is held, infinite for a driver that is stuck; None
    holds nothing."""
    settled: float = field(init=False)
    """Clock seconds from which its level stays as it is."""
    end: float = field(init=False)
    """Clock seconds at which the driver lets go."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "settled", self.start + len(self.symbols) / self.baud)
        object.__setattr__(self, "end", self.settled if self.let_go is None else self.let_go)

    def symbol(self, moment: float) -> str | None:
        """The symbol at `moment`; None before and after."""
        if not self.start <= moment < self.end:
            return None
        return self.symbols[min(int((moment - self.start) * self.baud), len(self.symbols) - 1)]

    def moments(self) -> list[float]:
        """Clock seconds at which its level may change: each of its bits, and the end if it ever
        comes."""
        bits = [self.start + place / self.baud for place in range(len(self.symbols) + 1)]
        return bits if self.let_go is None or isinf(self.end) else [*bits, self.end]


class Waveform:
    """The transmissions on the pair of wires, oldest first."""

    def __init__(self, *, biased: bool = True) -> None:
        self.biased = biased
        """Whether bias resistors hold the pair at mark while nobody drives it."""
        self.transmissions: deque[Transmission] = deque()
        self.count = 0
        """How many transmissions there ever were: tells a receiver that something new has come."""

    def add(self, transmission: Transmission) -> None:
        """Put `transmission` on the pair; it must not start before one that is there already."""
        self.transmissions.append(transmission)
        self.count += 1

    def release(self, held: Transmission, now: float) -> None:
        """Have the stuck driver of `held` let go."""
        self.transmissions[self.transmissions.index(held)] = replace(held, let_go=now)
        self.count += (
            1  # receivers have to look again; that they take an old one for new costs them nothing
        )

    def forget(self, before: float) -> None:
        """Drop transmissions that were over by `before`, which no receiver can still need."""
        if any(transmission.end <= before for transmission in self.transmissions):
            self.transmissions = deque(t for t in self.transmissions if t.end > before)


class Receiver:
    """A UART receiver somewhere on the pair.

    It works ahead: what the waveform known so far will give is read at once and handed out as time
    passes; a new transmission makes it read again what it has not handed out yet.
    """

    def __init__(
        self,
        waveform: Waveform,
        setup: ReceiverSetup,
        since: float,
        *,
        deaf_to: object = NO_DRIVER,
        glitch: bool = False,
    ) -> None:
        """Listen from `since` on, hearing mark while `deaf_to` drives.

        With `glitch` the receiver sees a space of nine bits when its own driver has let go: the
        common adapter fault that reads as one byte 00 before each reply.
        """
        self._waveform = waveform
        self._setup = setup
        self._deaf_to = deaf_to
        self._glitch = glitch
        self._idle = setup.levels(uart.RESTING, biased=waveform.biased)
        self._ready = since
        self._seen = waveform.count - len(
            waveform.transmissions
        )  # what is being sent now is heard from here on
        self._seen_end = since
        self._ahead: deque[tuple[Character, float]] = deque()

    @property
    def needs(self) -> float:
        """Clock seconds before which this receiver has no more use for the waveform."""
        return self._ready

    @property
    def next(self) -> Character | None:
        """The next character known ahead, unless something new comes."""
        return self._ahead[0][0] if self._ahead else None

    @property
    def next_start(self) -> float | None:
        """When that character begins or began; None if there is none."""
        return self._ahead[0][0].start if self._ahead else None

    @property
    def last_end(self) -> float | None:
        """When the last character known ahead will be complete; None if there is none."""
        return self._ahead[-1][0].end if self._ahead else None

    def advance(self, now: float) -> list[Character]:
        """The characters complete by `now` that were not handed out yet."""
        if self._seen != self._waveform.count:
            self._look_ahead()
        complete = []
        while self._ahead and self._ahead[0][0].end <= now:
            character, self._ready = self._ahead.popleft()
            complete.append(character)
        if not self._ahead and self._seen_end <= now:
            self._ready = max(self._ready, self._seen_end)
        return complete

    def _look_ahead(self) -> None:
        known = self._waveform.transmissions
        fresh = [
            known[index]
            for index in range(max(0, len(known) - (self._waveform.count - self._seen)), len(known))
        ]
        if not self._ahead and fresh and self._seen_end <= fresh[0].start:
            self._ready = max(self._ready, self._seen_end)
        self._seen = self._waveform.count
        live = self._live()
        self._seen_end = max(
            [self._seen_end, *(t.settled if isinf(t.end) else t.end for t in live)]
        )
        self._ahead.clear()
        ready = self._ready
        while live:
            following = live[1].start if len(live) > 1 else float("inf")
            alone = self._read_alone(live[0], ready, following)
            if alone is None:
                self._ahead.extend(self._read_overlapping(live, ready))
                return
            self._ahead.extend(alone)
            ready = alone[-1][1] if alone else ready
            del live[0]

    def _live(self) -> list[Transmission]:
        """What of the waveform is still to be read, oldest first, this receiver's own glitches
        included."""
        live = []
        for transmission in self._waveform.transmissions:
            if transmission.end > self._ready:
                live.append(transmission)
            if self._glitch and transmission.driver is self._deaf_to:
                glitch = Transmission(
                    self, transmission.end, transmission.baud, uart.SPACE * _GLITCH_BITS
                )
                if glitch.end > self._ready:
                    live.append(glitch)
        if self._glitch:
            live.sort(key=lambda t: t.start)
        return live

    def _read_alone(
        self, transmission: Transmission, ready: float, following: float
    ) -> list[tuple[Character, float]] | None:
        """Read one transmission as if it were alone; None if others reach into its characters, or
        it holds on."""
        if (
            ready > transmission.start
            or transmission.end > following
            or transmission.let_go is not None
        ):
            return None
        settings = self._setup.settings
        if transmission.driver is self._deaf_to:
            levels = uart.MARK * len(transmission.symbols)
        elif transmission.driver is self:
            levels = transmission.symbols
        else:
            levels = self._setup.levels(transmission.symbols, biased=self._waveform.biased)
        to_sample = (settings.bits_per_character - settings.stop_bits + 0.5) * settings.bit_time
        characters = []
        for index, value, bad in uart.read_grid(
            levels, idle=self._idle, sent_baud=transmission.baud, heard=settings
        ):
            start = transmission.start + index / transmission.baud
            end = start + settings.character_time
            if end > following:
                return None
            characters.append(
                (Character(start, end, value, bad), start + to_sample + 2 * uart.SAME_MOMENT)
            )
        return characters

    def _read_overlapping(
        self, live: list[Transmission], ready: float
    ) -> list[tuple[Character, float]]:
        """Read transmissions that touch each other, edge by edge."""
        moments = _merged(sorted(moment for t in live for moment in t.moments()))
        times, levels = [], []
        previous = self._idle
        for begin, end in zip(moments, [*moments[1:], moments[-1] + 1.0], strict=True):
            level = self._level(live, (begin + end) / 2)
            if level != previous:
                times.append(begin)
                levels.append(level)
                previous = level
        return list(
            uart.read_edges(times, levels, idle=self._idle, since=ready, heard=self._setup.settings)
        )

    def _level(self, live: list[Transmission], moment: float) -> str:
        """What this receiver sees at `moment`."""
        symbol, strength = uart.RESTING, 0
        for transmission in live:
            driven = transmission.symbol(moment)
            if driven is None:
                continue
            if transmission.driver is self:
                return uart.SPACE
            if transmission.driver is self._deaf_to:
                return uart.MARK
            if driven == uart.FLOATING:
                symbol = driven if strength == 0 else symbol
            elif transmission.strength > strength:
                symbol, strength = driven, transmission.strength
            elif transmission.strength == strength and driven == uart.SPACE:
                symbol = driven
        return self._setup.levels(symbol, biased=self._waveform.biased)


def _merged(moments: list[float]) -> list[float]:
    """`moments` without those that differ from the one before by rounding alone."""
    kept: list[float] = []
    for moment in moments:
        if not kept or moment - kept[-1] > uart.SAME_MOMENT:
            kept.append(moment)
    return kept

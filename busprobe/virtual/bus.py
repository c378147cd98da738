"""The bus in time: an event queue, drivers that turn on and let go, listeners that are told when
one has let go."""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable
from itertools import count
from random import Random
from threading import RLock
from typing import Protocol

from busprobe.line.clock import Clock
from busprobe.line.settings import LineSettings
from busprobe.virtual import uart
from busprobe.virtual.schema import Wires
from busprobe.virtual.waveform import Transmission, Waveform

_AFTER_END = 1e-9
"""Seconds after the end of a transmission at which it is looked at: its last character ends with
it, give or take rounding."""

_HOLD_RATE = 9600
"""Bits a second of a level that does not change: any will do."""

_PULSE_RATES = (2_000, 40_000)
"""A disturbance of a floating pair lasts one bit of a rate between these: 25 to 500 microseconds
(from memory)."""


class Listener(Protocol):
    """Somebody with a receiver on the pair."""

    @property
    def needs(self) -> float:
        """Clock seconds before which it has no more use for the waveform."""
        ...

    def attend(self, now: float) -> None:
        """A transmission has just ended."""
        ...


class Bus:
    """The pair, its clock and what is going to happen on it.

    Whoever calls from outside holds `lock`.  Events happen at exactly their own time, however late
    `run` is called, so that a busy computer changes nothing.
    """

    def __init__(self, wires: Wires, clock: Clock, random: Random) -> None:
        self.clock = clock
        self.random = random
        self.lock = RLock()
        self.waveform = Waveform(biased=wires.biased)
        self.driven_until = clock.now()
        """Clock seconds at which the last transmission so far is over."""
        self._wires = wires
        self._listeners: list[Listener] = []
        self._events: list[tuple[float, int, Callable[[float], None]]] = []
        self._order = count()
        if not wires.biased and wires.float_pulses:
            self._schedule_pulse(clock.now())

    @property
    def next_event(self) -> float:
        """Clock seconds of the next event; infinite if nothing is going to happen."""
        return self._events[0][0] if self._events else math.inf

    def schedule(self, moment: float, action: Callable[[float], None]) -> None:
        """Have `action` called with `moment` when that has come; events of the same moment keep
        their order."""
        heapq.heappush(self._events, (moment, next(self._order), action))

    def run(self, until: float) -> None:
        """Let everything happen that happens by clock time `until`."""
        while self._events and self._events[0][0] <= until:
            moment, _, action = heapq.heappop(self._events)
            action(moment)

    def attach(self, listener: Listener) -> None:
        """Tell `listener` from now on."""
        self._listeners.append(listener)

    def detach(self, listener: Listener) -> None:
        """Tell `listener` no more."""
        if listener in self._listeners:
            self._listeners.remove(listener)

    def drive(
        self,
        driver: object,
        data: bytes,
        now: float,
        settings: LineSettings,
        *,
        swapped: bool,
        strength: int,
        hold: float = 0.0,
    ) -> tuple[float, float]:
        """Have `driver` send `data` from `now` on; when its last bit is on the wire and when it
        lets the pair go.

        For `hold` seconds, in whole bits, it keeps the pair at mark before it lets go.
        """
        symbols = self._disturbed(uart.character_levels(data, settings))
        before = after = ""
        if not self._wires.biased:
            before, after = self._glitch(settings), self._glitch(settings)
        after = uart.MARK * round(hold * settings.baud) + after
        symbols = before + symbols + after
        transmission = Transmission(
            driver, now, settings.baud, uart.complement(symbols) if swapped else symbols, strength
        )
        self._add(transmission)
        sent = now + (len(symbols) - len(after)) * settings.bit_time
        if hold:
            self.schedule(
                sent + _AFTER_END, self._ended
            )  # units act on a request whose sender still drives
        return sent, transmission.end

    def hold(self, driver: object, symbol: str, now: float, *, strength: int) -> Transmission:
        """Have `driver` keep the pair at the level `symbol` from `now` on, until it is released."""
        held = Transmission(driver, now, _HOLD_RATE, symbol, strength, let_go=math.inf)
        self._add(held)
        return held

    def release(self, held: Transmission, now: float) -> None:
        """Have the driver of `held` let go."""
        self.waveform.release(held, now)

    def _add(self, transmission: Transmission) -> None:
        self.waveform.add(transmission)
        self.driven_until = max(self.driven_until, transmission.settled)
        self.schedule(min(transmission.settled, transmission.end) + _AFTER_END, self._ended)

    def _ended(self, now: float) -> None:
        for listener in tuple(self._listeners):
            listener.attend(now)
        self.waveform.forget(min((listener.needs for listener in self._listeners), default=now))

    def _disturbed(self, symbols: str) -> str:
        """`symbols` with bit errors."""
        likely = self._wires.bit_errors
        if not likely:
            return symbols
        return "".join(
            [uart.complement(s) if self.random.random() < likely else s for s in symbols]
        )

    def _glitch(self, settings: LineSettings) -> str:
        """One character time in which the pair may float first and is driven at mark then."""
        if self.random.random() >= self._wires.float_glitches:
            return ""
        whole = settings.bits_per_character
        floating = self.random.randint(1, whole - 1)
        return uart.FLOATING * floating + uart.MARK * (whole - floating)

    def _schedule_pulse(self, now: float) -> None:
        self.schedule(now + self.random.expovariate(self._wires.float_pulses), self._pulse)

    def _pulse(self, now: float) -> None:
        """The idle pair floats for a moment."""
        if all(t.end <= now for t in self.waveform.transmissions):
            self._add(Transmission(None, now, self.random.randint(*_PULSE_RATES), uart.FLOATING))
        self._schedule_pulse(now)

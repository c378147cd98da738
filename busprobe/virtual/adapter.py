"""The port on the segment: an adapter with its faults; a `busprobe.line.port.Port`."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from busprobe.errors import PortError
from busprobe.line.clock import Clock
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.virtual.bus import Bus
from busprobe.virtual.schema import Adapter
from busprobe.virtual.uart import Character, ReceiverSetup
from busprobe.virtual.waveform import NO_DRIVER, Receiver


class VirtualPort:
    """An open port at the adapter of a segment."""

    def __init__(
        self, name: str, bus: Bus, adapter: Adapter, unplugged_at: Callable[[], float | None]
    ) -> None:
        """Attach to `bus`; `unplugged_at` tells the clock time at which the adapter was or will be
        pulled out."""
        self._name = name
        self._bus = bus
        self._adapter = adapter
        self._unplugged_at = unplugged_at
        self._settings = LineSettings()
        self._dead = False
        self._sends_until = bus.clock.now()
        self._waiting: deque[Character] = deque()
        self._receiver = self._fresh_receiver(bus.clock.now())
        with bus.lock:
            bus.attach(self)

    @property
    def name(self) -> str:
        """As the user wrote it."""
        return self._name

    @property
    def clock(self) -> Clock:
        """The segment's clock."""
        return self._bus.clock

    @property
    def sends_until(self) -> float:
        """Clock seconds until which what it was given is on its way; the next waits for that."""
        return self._sends_until

    @property
    def needs(self) -> float:
        """Clock seconds before which it has no more use for the waveform."""
        return self._receiver.needs

    @property
    def wakes_at(self) -> float:
        """Clock seconds at which bytes may be there or something happens on the pair; infinite if
        nothing will."""
        with self._bus.lock:
            now = self.clock.now()
            self._bus.run(now)
            self.attend(now)
            return min(self._bus.next_event, self._next_delivery())

    def apply(self, settings: LineSettings) -> None:
        """Switch to `settings`; raises `PortError` if the adapter is gone."""
        with self._bus.lock:
            now = self._catch_up()
            self._settings = settings
            self._waiting.clear()
            self._receiver = self._fresh_receiver(now)

    def send(self, data: bytes) -> float:
        """Put `data` on the pair, after what is still being sent; returns when its last bit is on
        the wire."""
        self.clock.sleep_until(self._sends_until)
        with self._bus.lock:
            now = self._catch_up()
            sent, self._sends_until = self._bus.drive(
                self,
                data,
                now,
                self._settings,
                swapped=self._adapter.swapped,
                strength=self._adapter.strength,
                hold=self._adapter.holds_on,
            )
            return sent

    def receive(self, until: float) -> Chunk | None:
        """Wait for bytes until clock time `until`; raises `PortError` if the adapter goes away
        meanwhile."""
        late = 0.0
        while True:
            with self._bus.lock:
                now = self._catch_up()
                self.attend(now)
                chunk = self._delivered(now, late)
                if chunk is not None or now >= until:
                    return chunk
                wake = min(
                    until,
                    self._bus.next_event,
                    self._next_delivery(),
                    self._unplugged_at() or math.inf,
                )
                late = self._lateness()
            self.clock.sleep_until(wake + late)

    def close(self) -> None:
        """Release the port; may be called again."""
        with self._bus.lock:
            self._dead = True
            self._bus.detach(self)

    def attend(self, now: float) -> None:
        """Take in what the receiver has made out by `now`."""
        self._waiting.extend(self._receiver.advance(now))

    def _catch_up(self) -> float:
        """Let the segment catch up with the clock; returns the time.  Raises `PortError` on a dead
        port."""
        now = self.clock.now()
        self._bus.run(now)
        gone_at = self._unplugged_at()
        if gone_at is not None and now >= gone_at:
            self._dead = True
        if self._dead:
            raise PortError(
                f"The adapter at {self._name} is gone or has been closed.",
                means="What went into the job until now is kept.",
                todo="Plug it in again, open the port again, and go on from where it stopped.",
            )
        return now

    def _fresh_receiver(self, now: float) -> Receiver:
        setup = ReceiverSetup(
            self._settings, swapped=self._adapter.swapped, failsafe=self._adapter.failsafe
        )
        return Receiver(
            self._bus.waveform,
            setup,
            now,
            deaf_to=NO_DRIVER if self._adapter.echo else self,
            glitch=self._adapter.glitch,
        )

    def _lateness(self) -> float:
        """Seconds by which the computer looks late the next time."""
        busy = self._adapter.busy
        return max(0.0, self._bus.random.uniform(-busy, busy)) if busy else 0.0

    def _delivery(self, character: Character) -> float:
        """When the adapter hands `character` over to the computer."""
        lump = self._adapter.lump
        if not lump:
            return character.end
        return max(character.end, math.ceil(character.end / lump) * lump)  # rounding may fall short

    def _next_delivery(self) -> float:
        first = self._waiting[0] if self._waiting else self._receiver.next
        return self._delivery(first) if first is not None else math.inf

    def _delivered(self, now: float, late: float) -> Chunk | None:
        ready: list[Character] = []
        at = now
        while self._waiting and (moment := self._delivery(self._waiting[0])) <= now:
            ready.append(self._waiting.popleft())
            at = moment
        if not ready:
            return None
        bad = tuple(index for index, character in enumerate(ready) if character.bad)
        data = bytes([character.value for character in ready])
        return Chunk(now if late else at, data, bad, late)

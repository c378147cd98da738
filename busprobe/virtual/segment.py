"""The segment: the units, the wires and the adapter of a scenario, moved on by a clock."""

from __future__ import annotations

from itertools import cycle
from random import Random

from busprobe.errors import PortError, UsageError
from busprobe.line.clock import Clock
from busprobe.modbus.requests import Function, read_registers
from busprobe.virtual import uart
from busprobe.virtual.adapter import VirtualPort
from busprobe.virtual.bus import Bus
from busprobe.virtual.frame_receiver import FrameReceiver
from busprobe.virtual.schema import OtherMaster, Scenario
from busprobe.virtual.uart import ReceiverSetup
from busprobe.virtual.unit import Unit
from busprobe.virtual.waveform import Transmission

_BABBLE_BYTES = 32
"""Bytes that a babbling unit sends at a time."""

_LONG_BEFORE = 1.0
"""Seconds before the start at which the units were connected: what a stuck driver does then is
over."""


class Segment:
    """A simulated segment.

    One thread talks through a port; others may play the hands at the terminals meanwhile.
    """

    def __init__(self, scenario: Scenario, clock: Clock) -> None:
        """Set up `scenario` as it is at this moment of `clock`; the scenario's own times count from
        here."""
        self.scenario = scenario
        self.clock = clock
        epoch = clock.now()
        random = Random(scenario.seed)  # noqa: S311 - the same run again is what is wanted
        self._bus = Bus(scenario.wires, clock, random)
        taken = {unit.address or scenario.types[unit.type].address for unit in scenario.units}
        self.units = tuple(
            Unit(entry, scenario.types[entry.type], random, epoch, taken)
            for entry in scenario.units
        )
        """All units of the scenario, connected or not."""
        self._receivers: dict[ReceiverSetup, FrameReceiver] = {}
        self._held: dict[Unit, Transmission] = {}
        self._rewire(epoch - _LONG_BEFORE)
        self._unplugged_at = (
            None if scenario.adapter.unplugged_at is None else epoch + scenario.adapter.unplugged_at
        )
        if scenario.other_master is not None:
            self._start_other_master(scenario.other_master, epoch)
        for unit in self.units:
            if unit.babbles:
                self._babble(unit, epoch)

    def port(self, name: str = "virtual:segment") -> VirtualPort:
        """Open the adapter, to be called `name`; raises `PortError` while it is unplugged."""
        if self._unplugged_at is not None and self.clock.now() >= self._unplugged_at:
            raise PortError(
                f"There is no port {name}: its adapter is unplugged.", todo="Plug the adapter in."
            )
        return VirtualPort(name, self._bus, self.scenario.adapter, lambda: self._unplugged_at)

    def unit(self, name: str) -> Unit:
        """The unit that the scenario calls `name`; raises `UsageError` if there is none."""
        for unit in self.units:
            if unit.name == name:
                return unit
        known = ", ".join(unit.name for unit in self.units)
        raise UsageError(f"There is no unit '{name}' here.", todo=f"Name one of {known}.")

    def connect(self, name: str, *, connected: bool = True) -> None:
        """Screw unit `name` to the pair, or take it off; it has had its supply all the time."""
        unit = self.unit(name)
        with self._bus.lock:
            now = self.clock.now()
            self._bus.run(now)
            unit.connected = connected
            self._rewire(now)

    def swap(self, name: str) -> None:
        """Exchange the two wires at unit `name`."""
        unit = self.unit(name)
        with self._bus.lock:
            now = self.clock.now()
            self._bus.run(now)
            unit.swapped = not unit.swapped
            self._rewire(now)

    def power_cycle(self, *names: str) -> None:
        """Take the supply of the named units away and give it back; of all units if none is
        named."""
        units = [self.unit(name) for name in names] or self.units
        with self._bus.lock:
            now = self.clock.now()
            self._bus.run(now)
            for unit in units:
                unit.power_cycle(now)
            self._assign_receivers(now)

    def unplug(self) -> None:
        """Pull the adapter out of the computer."""
        with self._bus.lock:
            self._unplugged_at = self.clock.now()

    def plug_in(self) -> None:
        """Put the adapter back; ports that were open stay dead, as real ones do."""
        with self._bus.lock:
            self._unplugged_at = None

    def _rewire(self, now: float) -> None:
        """From `now` on, let the pair carry what follows from how the units are connected."""
        self._assign_receivers(now)
        for unit, held in [*self._held.items()]:
            self._bus.release(held, now)
            del self._held[unit]
        for unit in self.units:
            if unit.connected and unit.stuck is not None:
                level = uart.complement(unit.stuck) if unit.swapped else unit.stuck
                self._held[unit] = self._bus.hold(unit, level, now, strength=unit.strength)

    def _assign_receivers(self, now: float) -> None:
        """From `now` on, let each connected unit hear through the receiver that is set and wired
        like its own."""
        alike: dict[ReceiverSetup, list[Unit]] = {}
        for unit in self.units:
            if unit.connected and unit.stuck is None and not unit.babbles:
                alike.setdefault(unit.receiver_setup, []).append(unit)
        for setup in [*self._receivers]:
            if setup not in alike:
                receiver = self._receivers.pop(setup)
                receiver.units = ()
                self._bus.detach(receiver)
        for setup, units in alike.items():
            if setup not in self._receivers:
                self._receivers[setup] = FrameReceiver(
                    self._bus, setup, now, self._assign_receivers
                )
                self._bus.attach(self._receivers[setup])
            self._receivers[setup].units = tuple(units)

    def _start_other_master(self, master: OtherMaster, epoch: float) -> None:
        requests = cycle(
            read_registers(p.address, Function(p.function), p.at, p.count).frame
            for p in master.polls
        )
        rounds = cycle([*[0.0] * (len(master.polls) - 1), master.pause])

        def poll(now: float) -> None:
            silence = master.waits_for_silence
            if silence is not None and now < self._bus.driven_until + silence:
                self._bus.schedule(self._bus.driven_until + silence, poll)
                return
            self._bus.drive(master, next(requests), now, master.settings, swapped=False, strength=1)
            late = self._bus.random.random() * master.jitter
            self._bus.schedule(now + master.period + next(rounds) + late, poll)

        self._bus.schedule(epoch + master.start, poll)

    def _babble(self, unit: Unit, epoch: float) -> None:
        """Let `unit` send random bytes, one burst right behind the other."""

        def send(now: float) -> None:
            done = now + unit.settings.wire_time(_BABBLE_BYTES)
            if unit.connected:
                data = self._bus.random.randbytes(_BABBLE_BYTES)
                _, done = self._bus.drive(
                    unit, data, now, unit.settings, swapped=unit.swapped, strength=unit.strength
                )
            self._bus.schedule(done, send)

        self._bus.schedule(epoch, send)

"""Opening what a user calls a port: a serial port or a virtual segment.  The one place that knows
both."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.errors import PortError
from busprobe.line.clock import Clock, VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.session.bus_kind import VIRTUAL, is_virtual
from busprobe.virtual.loading import load_scenario, scenario_names
from busprobe.virtual.segment import Segment


@dataclass(frozen=True)
class UnitTerminals:
    """One unit of a virtual segment, as seen by somebody in front of it."""

    name: str
    what: str
    """Maker and model, as printed on the case."""
    connected: bool
    swapped: bool
    """Whether its two wires are exchanged."""


class SegmentTerminals:
    """The terminals of all units on a virtual segment, and what a technician does there."""

    def __init__(self, segment: Segment) -> None:
        self._segment = segment

    def units(self) -> tuple[UnitTerminals, ...]:
        """All units, in cable order."""
        return tuple(
            UnitTerminals(
                unit.name, f"{unit.kind.maker} {unit.kind.model}", unit.connected, unit.swapped
            )
            for unit in self._segment.units
        )

    def connect(self, name: str, *, connected: bool) -> None:
        """Connect a unit to the bus, or take it off."""
        self._segment.connect(name, connected=connected)

    def swap(self, name: str) -> None:
        """Exchange the two wires at a unit."""
        self._segment.swap(name)

    def power_cycle(self, *names: str) -> None:
        """Switch units off and on; all if none is named."""
        self._segment.power_cycle(*names)


class Connector:
    """Opens ports; a virtual segment stays as it was when it is opened again."""

    def __init__(self, *, clock: Clock | None = None, virtual_clock: Clock | None = None) -> None:
        """`clock` is for real ports, the system's if left out; virtual segments run on simulated
        time if left out."""
        self._clock = clock
        self._virtual_clock = virtual_clock
        self._segments: dict[str, Segment] = {}

    def open_line(self, name: str, settings: LineSettings) -> Line:
        """Open `name` at `settings`; raises `PortError`, and `UsageError` or `FileError` for a
        wrong scenario."""
        if not name.strip():
            raise PortError(
                "No port was named.",
                todo="Pick one that 'busprobe ports' lists, or try virtual:site.",
            )
        if is_virtual(name):
            return Line(self.segment(name).port(name), settings)
        from busprobe.line.serial_port import SerialPort

        return Line(SerialPort(name, settings, self._clock), settings)

    def segment(self, name: str) -> Segment:
        """The virtual segment called `name`, set up when it is first asked for."""
        if name not in self._segments:
            scenario = load_scenario(name.removeprefix(VIRTUAL))
            self._segments[name] = Segment(scenario, self._virtual_clock or VirtualClock())
        return self._segments[name]

    def terminals(self, name: str) -> SegmentTerminals | None:
        """The terminals of a virtual segment; None for a real port, where the technician is."""
        return SegmentTerminals(self.segment(name)) if is_virtual(name) else None


def virtual_segments() -> tuple[tuple[str, str], ...]:
    """The virtual segments that ship with busprobe: what to open, and what each shows."""
    return tuple((f"{VIRTUAL}{name}", load_scenario(name).title) for name in scenario_names())

"""Opening what a user calls a port: a serial port or a virtual segment.  The one place that knows both."""

from __future__ import annotations

from busprobe.errors import PortError
from busprobe.line.clock import Clock, VirtualClock
from busprobe.line.line import Line
from busprobe.line.port import Port
from busprobe.line.settings import LineSettings

VIRTUAL = "virtual:"
"""Prefix of a virtual segment's name: ``virtual:clean``."""


def is_virtual(name: str) -> bool:
    """Whether `name` is a virtual segment and not a port of this computer."""
    return name.startswith(VIRTUAL)


def open_line(name: str, settings: LineSettings, clock: Clock | None = None) -> Line:
    """Open `name` at `settings`.

    Without a `clock`, real ports run on the system's and virtual segments on simulated time.  Raises `PortError`, and
    `FileError` for a broken scenario.
    """
    return Line(open_port(name, settings, clock), settings)


def open_port(name: str, settings: LineSettings, clock: Clock | None = None) -> Port:
    """The port alone; raises as `open_line` does."""
    if not name.strip():
        raise PortError(
            "No port was named.", todo="Pick one that 'busprobe ports' lists, or virtual:site to try it out."
        )
    if not is_virtual(name):
        from busprobe.line.serial_port import SerialPort

        return SerialPort(name, settings, clock)
    from busprobe.virtual.loading import load_scenario
    from busprobe.virtual.segment import Segment

    segment = Segment(load_scenario(name.removeprefix(VIRTUAL)), clock or VirtualClock())
    return segment.port(name)

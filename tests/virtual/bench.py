"""Helpers to set up a segment in a line or two."""

from __future__ import annotations

from typing import Any

from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Exchange, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, Request, read_registers
from busprobe.virtual.loading import load_scenario, shipped_types
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment

AT_9600 = LineSettings.parse("9600-8N1")


def scenario(*units: dict[str, Any], **rest: Any) -> Scenario:
    """A scenario of `units`, each at 9600-8N1 unless it says otherwise."""
    own = rest.pop("types", {})
    entries = [{"settings": "9600-8N1", "jitter": 0.0, **unit} for unit in units]
    return Scenario.model_validate(
        {"title": "test", "types": {**shipped_types(), **own}, "units": entries, **rest}
    )


def open_segment(what: Scenario | str, settings: str = "9600-8N1") -> tuple[Segment, Line]:
    """A segment in virtual time with a line on its port."""
    segment = Segment(load_scenario(what) if isinstance(what, str) else what, VirtualClock())
    return segment, Line(segment.port(), LineSettings.parse(settings))


def open_line(what: Scenario | str, settings: str = "9600-8N1") -> Line:
    """The same where nobody touches the segment."""
    return open_segment(what, settings)[1]


def ask(line: Line, request: Request, **waits: float) -> tuple[Reply, Exchange]:
    """One exchange, judged."""
    exchange = line.exchange(request, Waits(**waits))
    return judge(request, exchange), exchange


def read(
    line: Line,
    address: int,
    register: int = 0,
    count: int = 1,
    *,
    function: int = 3,
    **waits: float,
) -> tuple[Reply, Exchange]:
    """Read registers and judge what came."""
    return ask(line, read_registers(address, Function(function), register, count), **waits)

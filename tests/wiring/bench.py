"""A technician's look at a virtual segment: listen, ask everybody, and hand the evidence to the
diagnosis."""

from __future__ import annotations

from typing import Any

from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Function, Request, read_registers, report_server_id
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment
from busprobe.wiring.arithmetic.bits import character_bits
from busprobe.wiring.causes import Cause, Observation
from busprobe.wiring.evidence import LineEvidence

USUAL = LineSettings.parse("9600-8N1")


def scenario(name: str, **changes: Any) -> Scenario:
    """A shipped scenario with parts of it changed: fields of a part as a dict, others as they
    are."""
    shipped = load_scenario(name)
    updated = {
        part: (
            getattr(shipped, part).model_copy(update=change) if isinstance(change, dict) else change
        )
        for part, change in changes.items()
    }
    return shipped.model_copy(update=updated)


def request(address: int) -> Request:
    """Something that every shipped unit type answers, soundly or with an exception."""
    if address == 41:  # silent on registers it does not have
        return report_server_id(address)
    return read_registers(address, Function.READ_INPUT_REGISTERS, 0, 1 + address % 2)


def examine(
    segment: Segment,
    settings: LineSettings = USUAL,
    *,
    idle: float = 10.0,
    rounds: int = 6,
) -> LineEvidence:
    """Listen for `idle` s, then ask every unit of the scenario `rounds` times."""
    line = Line(segment.port(), settings)
    heard = line.listen(idle)
    addresses = sorted({unit.address for unit in segment.units})
    replies = [
        judge(asked, line.exchange(asked, Waits()))
        for _ in range(rounds)
        for asked in map(request, addresses)
    ]
    return LineEvidence(settings, heard, replies, addresses)


def frame_bits(frame: bytes, settings: LineSettings) -> tuple[int, ...]:
    """Bits of a whole frame sent back to back."""
    return tuple(bit for value in frame for bit in character_bits(value, settings))


def segment(name: str, **changes: Any) -> Segment:
    """A fresh segment in simulated time."""
    return Segment(scenario(name, **changes), VirtualClock())


def first_causes(observations: tuple[Observation, ...]) -> list[Cause]:
    """The likeliest cause of each observation."""
    return [observation.hints[0].cause for observation in observations]


def certain_causes(observations: tuple[Observation, ...]) -> set[Cause]:
    """What is asserted."""
    return {observation.certain.cause for observation in observations if observation.certain}

"""The polling table that a bus list allows: from its points, its measured reply times, and what has to be assumed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.matching import RECOGNISED
from busprobe.profiles.plan import Block
from busprobe.prove.polling import PolledUnit, PollingTable, Wanted, polling_table

EVERY = 10.0
"""Seconds after which a new value is wanted; the job does not say, so this is our choice."""

LATENCY = 0.1
"""Seconds until a reply begins, where it was not measured: units take 10 to 100 ms (common practice)."""


@dataclass(frozen=True)
class Polling:
    """A polling table and what it rests on."""

    table: PollingTable
    assumed: tuple[str, ...]
    """What was not measured or not said, and what was taken instead; one sentence each."""
    not_asked: tuple[str, ...]
    """What the table asks nothing of, and why."""


def polling(bus_list: BusList) -> Polling:
    """The cheapest requests that fetch every point on the list."""
    points: dict[tuple[int, str], list[PointRow]] = {}
    for point in bus_list.points:
        points.setdefault((point.address, point.settings), []).append(point)
    found = [unit for unit in bus_list.units if unit.state != "reserved"]
    asked = [unit for unit in found if unit.state == "unit" and (unit.address, unit.settings) in points]
    table = polling_table(_polled(unit, points[unit.address, unit.settings]) for unit in asked)
    silent_on = [
        f"{_name(unit)}: {'no points are known' if unit.state == 'unit' else f'{unit.state}, so nobody to ask'}."
        for unit in found
        if unit not in asked
    ]
    silent_on += [f"Address {both_forms(one.address)}, {one.name}: {one.why}." for one in table.left_out]
    return Polling(table, tuple(_assumed(bus_list, asked, table)), tuple(silent_on))


def _polled(unit: UnitRow, points: Sequence[PointRow]) -> PolledUnit:
    return PolledUnit(
        unit.address,
        LineSettings.parse(unit.settings),
        (*_values(points), *_scales(points)),
        LATENCY if unit.latency_median_ms is None else unit.latency_median_ms / 1000,
        MOST_REGISTERS if unit.registers_a_request is None else unit.registers_a_request,
        (unit.gap_ms or 0) / 1000,
    )


def _values(points: Iterable[PointRow]) -> Iterator[Wanted]:
    for point in points:
        yield Wanted(point.name, Block(point.function, point.register, point.count), EVERY)


def _scales(points: Iterable[PointRow]) -> Iterator[Wanted]:
    """Registers that say the scale of a value at any moment, each once."""
    registers = {(p.function, p.scale_register): p.name for p in points if p.scale_register is not None}
    for (function, register), name in registers.items():
        yield Wanted(f"scale of {name}", Block(function, register, 1), EVERY)


def _assumed(bus_list: BusList, asked: Iterable[UnitRow], table: PollingTable) -> Iterator[str]:
    if not table.rows:
        return
    asked = list(asked)
    yield f"Every point is wanted every {EVERY:g} s: how often each is needed is for the master's user to say."
    if len(bus_list.segment.settings) > 1:
        yield "One master with one line setting cannot send these requests: the units' line settings differ."
    if any(row.between for row in table.rows):
        yield "Registers that are read only because they lie in between were not all tried; a unit may refuse them."
    for unit in asked:
        if unit.latency_median_ms is None:
            yield f"{_name(unit)}: reply time not measured, {1000 * LATENCY:g} ms assumed."
        elif not unit.polls:
            yield f"{_name(unit)}: reply time from the few requests of the survey, no endurance run."
        if unit.registers_a_request is None:
            yield f"{_name(unit)}: how many registers it gives at once is not known, {MOST_REGISTERS} assumed."
        if unit.match is not None and unit.match < RECOGNISED:
            yield f"{_name(unit)}: the device type is not certain, and so are its registers."


def _name(unit: UnitRow) -> str:
    return " ".join(filter(None, ("Address", both_forms(unit.address), unit.settings, unit.tag)))

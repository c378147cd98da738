"""The polling table that a bus list allows: from its points, its measured reply times, and what has
to be assumed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busprobe.files.documents import to_document
from busprobe.handover.bus_list import BusList, PointRow, StepSheet, UnitRow
from busprobe.job.intervals import USUAL
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms, format_addresses
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.matching import RECOGNISED
from busprobe.profiles.read_requests import Block
from busprobe.prove.documents import POLLING_FORMAT, table_document
from busprobe.prove.polling_table import PolledUnit, PollingTable, Wanted, polling_table
from busprobe.prove.statistics import milliseconds
from busprobe.prove.trial import Trial
from busprobe.prove.words import hindrance_words

LATENCY = 0.1
"""Seconds until a reply begins, where it was not measured: units take 10 to 100 ms (common
practice)."""


@dataclass(frozen=True)
class Measured:
    """What a cycle of the table took on the bus."""

    made: str
    seconds: float
    """The median of all cycles."""
    cycles: int
    polls: int
    failed: int
    """Polls without a conforming reply in time."""

    @property
    def words(self) -> str:
        """All of it in one sentence."""
        failed = f"{self.failed} of {self.polls} polls failed" if self.failed else "no poll failed"
        return f"Median of {self.cycles} cycles on the bus, {self.made}; {failed}."


@dataclass(frozen=True)
class Polling:
    """A polling table and what it rests on."""

    table: PollingTable
    wanted: str
    """How often values are wanted, in one sentence."""
    assumed: tuple[str, ...]
    """What to mind: what was not measured, and what was taken instead; one sentence each."""
    not_asked: tuple[str, ...]
    """What the table asks nothing of, and why."""
    measured: Measured | None
    """The cycle as measured; `None` where just these requests were not tried on the bus."""


def polling(bus_list: BusList) -> Polling:
    """The cheapest requests that fetch every point on the list, as often as it is wanted."""
    points = _points(bus_list)
    found = [unit for unit in bus_list.units if unit.found]
    asked = _asked(bus_list, points)
    table = polling_table(polled_units(bus_list))
    unknown = [
        (unit, "no points are known" if unit.state == "unit" else f"{unit.state}, so nobody to ask")
        for unit in found
        if unit not in asked
    ]
    silent_on = list(_said_once(unknown))
    silent_on += [
        f"Address {both_forms(one.place.address)}, {one.name}: {hindrance_words(one.hindrance)}."
        for one in table.left_out
    ]
    return Polling(
        table,
        _wanted(bus_list),
        tuple(_assumed(bus_list, asked, table)),
        tuple(silent_on),
        _measured(bus_list.trial, table),
    )


def polled_units(bus_list: BusList) -> tuple[PolledUnit, ...]:
    """What the table is made of: each unit with its points, its limits, and what a trial showed it
    refuses."""
    points = _points(bus_list)
    refused = _blocks(bus_list.trial, "refused")
    return tuple(
        _polled(unit, points[unit.place], refused.get(unit.place, ()))
        for unit in _asked(bus_list, points)
    )


def trial_document(
    trial: Trial, cycle: float | None, *, cycles: int, polls: int, failed: int
) -> dict[str, object]:
    """A trial as stored in the job: the table, what was asked for it, and what `cycles` cycles of
    it took."""
    return {
        **table_document(trial.table, cycle),
        "given": [_block_document(place, block) for place, block in trial.given],
        "refused": [_block_document(place, block) for place, block in trial.refused],
        "complete": trial.complete,
        "cycle_s": cycle,
        "cycles": cycles,
        "polls": polls,
        "failed": failed,
    }


def _block_document(place: Place, block: Block) -> dict[str, object]:
    return {"address": place.address, "settings": str(place.settings), **to_document(block)}


def _points(bus_list: BusList) -> Mapping[Place, list[PointRow]]:
    points: dict[Place, list[PointRow]] = {}
    for point in bus_list.points:
        points.setdefault(point.place, []).append(point)
    return points


def _asked(bus_list: BusList, points: Mapping[Place, list[PointRow]]) -> list[UnitRow]:
    return [unit for unit in bus_list.units if unit.state == "unit" and unit.place in points]


def _polled(unit: UnitRow, points: Sequence[PointRow], refused: tuple[Block, ...]) -> PolledUnit:
    return PolledUnit(
        unit.place,
        (*_values(points), *_scales(points)),
        LATENCY if unit.latency_median_ms is None else unit.latency_median_ms / 1000,
        MOST_REGISTERS if unit.registers_a_request is None else unit.registers_a_request,
        (unit.gap_ms or 0) / 1000,
        refused,
    )


def _values(points: Iterable[PointRow]) -> Iterator[Wanted]:
    for point in points:
        yield Wanted(point.name, Block(point.function, point.register, point.count), point.every_s)


def _scales(points: Iterable[PointRow]) -> Iterator[Wanted]:
    """Registers that say the scale of a value at any moment, each once, as often as its most urgent
    value."""
    scaled: dict[tuple[int, int], list[PointRow]] = {}
    for point in points:
        if point.scale_register is not None:
            scaled.setdefault((point.function, point.scale_register), []).append(point)
    for (function, register), values in scaled.items():
        every = min(point.every_s for point in values)
        yield Wanted(f"scale of {values[-1].name}", Block(function, register, 1), every)


def _wanted(bus_list: BusList) -> str:
    every = bus_list.segment.every_s
    special = sum(point.every_s != (USUAL if every is None else every) for point in bus_list.points)
    more = (
        f", {special} of {len(bus_list.points)} values at intervals of their own" if special else ""
    )
    if every is None:
        return f"Nobody said how often values are wanted: every {USUAL:g} s is taken{more}."
    return f"Values are wanted every {every:g} s{more}."


def _assumed(bus_list: BusList, asked: Sequence[UnitRow], table: PollingTable) -> Iterator[str]:
    if not table.rows:
        return
    if len(bus_list.segment.settings) > 1:
        yield (
            "One master with one line setting cannot send these requests: the units' line settings"
            " differ."
        )
    given = _blocks(bus_list.trial, "given")
    untried = {
        row.place.address
        for row in table.rows
        if row.between and row.block not in given.get(row.place, ())
    }
    if untried:
        listed = ", ".join(both_forms(address) for address in sorted(untried))
        yield (
            f"Registers read only because they lie in between were not all tried at {listed}: they"
            " may be refused."
        )
    yield from _said_once((unit, words) for unit in asked for words in _assumed_of(unit))


def _assumed_of(unit: UnitRow) -> Iterator[str]:
    if unit.latency_median_ms is None:
        yield f"reply time not measured, {1000 * LATENCY:g} ms assumed"
    elif not unit.polls:
        yield "reply time from the few requests of the survey, no endurance run"
    if unit.registers_a_request is None:
        yield f"how many registers it gives at once is not known, {MOST_REGISTERS} assumed"
    if unit.match is not None and unit.match < RECOGNISED:
        yield "the device type is not certain, and neither are its registers"


def _said_once(said: Iterable[tuple[UnitRow, str]]) -> Iterator[str]:
    """One sentence for all units of which the same is said: on a full bus nobody reads it thirty
    times."""
    told: dict[str, list[UnitRow]] = {}
    for unit, words in said:
        told.setdefault(words, []).append(unit)
    for words, together in told.items():
        yield f"{_names(together)}: {words}."


def _trial_of(sheet: StepSheet | None) -> Mapping[str, Any]:
    """The trial's document where it is in the format known here."""
    return (
        sheet.document
        if sheet is not None and sheet.document.get("format") == POLLING_FORMAT
        else {}
    )


def _blocks(sheet: StepSheet | None, which: str) -> Mapping[Place, tuple[Block, ...]]:
    found: dict[Place, tuple[Block, ...]] = {}
    for one in _trial_of(sheet).get(which, ()):
        place = Place.parse(f"{one['address']} {one['settings']}")
        found[place] = (
            *found.get(place, ()),
            Block(one["function"], one["register"], one["count"]),
        )
    return found


def _measured(sheet: StepSheet | None, table: PollingTable) -> Measured | None:
    document = _trial_of(sheet)
    if sheet is None or not document or document["cycle_s"] is None:
        return None
    tried = {
        (Place.parse(f"{row['address']} {row['settings']}"), bytes.fromhex(row["request"]))
        for row in document["rows"]
    }
    if tried != {(row.place, row.request.frame) for row in table.rows}:
        return None
    return Measured(
        sheet.made, document["cycle_s"], document["cycles"], document["polls"], document["failed"]
    )


def cycle_words(made: Polling) -> str:
    """The computed cycle beside the measured one, in one sentence."""
    computed = (
        f"A whole cycle of the {len(made.table.rows)} requests takes"
        f" {milliseconds(made.table.cycle_s):g} ms"
    )
    if made.measured is None:
        return f"{computed}, computed; not yet tried on the bus."
    return (
        f"{computed} computed and {milliseconds(made.measured.seconds):g} ms measured."
        f" {made.measured.words}"
    )


def _names(units: Sequence[UnitRow]) -> str:
    if len(units) == 1:
        return _name(units[0])
    places: dict[str, list[int]] = {}
    for unit in units:
        places.setdefault(unit.settings, []).append(unit.address)
    return "Addresses " + "; ".join(
        f"{format_addresses(listed)} at {settings}" for settings, listed in places.items()
    )


def _name(unit: UnitRow) -> str:
    return " ".join(filter(None, ("Address", both_forms(unit.address), unit.settings, unit.tag)))

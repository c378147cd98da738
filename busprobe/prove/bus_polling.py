"""The polling table that a bus allows: from its points, its reply times, and what is assumed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from busprobe.job.intervals import USUAL
from busprobe.line.place import Place
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.read_requests import Block
from busprobe.prove import words
from busprobe.prove.documents import KeptTrial
from busprobe.prove.polling_table import (
    PolledUnit,
    PollingRow,
    PollingTable,
    Wanted,
    polling_table,
)

LATENCY = 0.1
"""Seconds until a reply begins, where it was not measured: units take 10 to 100 ms (common
practice)."""


@dataclass(frozen=True)
class KnownPoint:
    """A value that the master may want."""

    name: str
    block: Block
    every_s: float
    """Seconds after which a new value is wanted."""
    scale: Block | None = None
    """The register that says its scale at any moment; None where it has none."""


@dataclass(frozen=True)
class KnownUnit:
    """A place on the bus where something answers, as far as a polling table needs to know it."""

    place: Place
    tag: str
    state: str
    """``unit``, or why it cannot be polled: ``clash``, ``unsure``."""
    points: tuple[KnownPoint, ...] = ()
    latency_s: float | None = None
    """Median reply time; None = not measured."""
    polled: bool = False
    """Whether an endurance run has polled it."""
    registers_a_request: int | None = None
    gap_s: float = 0.0
    certain: bool = True
    """Whether its device type is certain, where it has one."""

    @property
    def name(self) -> str:
        """Address, line settings and tag."""
        return words.unit_name(self.place, self.tag)


@dataclass(frozen=True)
class KnownBus:
    """All that the polling table of a bus rests on."""

    units: tuple[KnownUnit, ...]
    every_s: float | None
    """Seconds after which new values are wanted; None = nobody said."""
    trial: KeptTrial | None = None
    """The last trial of the table on the bus; None = not tried."""

    @property
    def asked(self) -> tuple[KnownUnit, ...]:
        """The units that there is anything to ask of."""
        return tuple(unit for unit in self.units if unit.state == "unit" and unit.points)


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
    measured: KeptTrial | None
    """The trial that measured the cycle; `None` where just these requests were not tried on the
    bus."""
    untried: tuple[PollingRow, ...] = ()
    """Requests with registers in between that were not seen to be given."""


def polling(bus: KnownBus) -> Polling:
    """The cheapest requests that fetch every point, as often as it is wanted."""
    table = polling_table(polled_units(bus))
    unknown = [
        (unit, words.not_asked(alone=unit.state == "unit", state=unit.state))
        for unit in bus.units
        if unit not in bus.asked
    ]
    silent_on = [*_said_once(unknown), *map(words.left_out, table.left_out)]
    given = bus.trial.given if bus.trial else ()
    untried = tuple(
        row for row in table.rows if row.between and (row.place, row.block) not in given
    )
    return Polling(
        table,
        _wanted(bus),
        tuple(_assumed(bus, table, untried)),
        tuple(silent_on),
        _measured(bus.trial, table),
        untried,
    )


def polled_units(bus: KnownBus) -> tuple[PolledUnit, ...]:
    """What the table is made of: each unit with its points, its limits, and what a trial showed it
    refuses."""
    refused = bus.trial.refused if bus.trial else ()
    return tuple(
        PolledUnit(
            unit.place,
            (*_values(unit.points), *_scales(unit.points)),
            LATENCY if unit.latency_s is None else unit.latency_s,
            MOST_REGISTERS if unit.registers_a_request is None else unit.registers_a_request,
            unit.gap_s,
            tuple(block for place, block in refused if place == unit.place),
        )
        for unit in bus.asked
    )


def _values(points: Iterable[KnownPoint]) -> Iterator[Wanted]:
    for point in points:
        yield Wanted(point.name, point.block, point.every_s)


def _scales(points: Iterable[KnownPoint]) -> Iterator[Wanted]:
    """Registers that say the scale of a value at any moment, each once, as often as its most urgent
    value."""
    scaled: dict[Block, list[KnownPoint]] = {}
    for point in points:
        if point.scale is not None:
            scaled.setdefault(point.scale, []).append(point)
    for block, values in scaled.items():
        every = min(point.every_s for point in values)
        yield Wanted(f"scale of {values[-1].name}", block, every)


def _wanted(bus: KnownBus) -> str:
    points = [point for unit in bus.units for point in unit.points]
    usual = USUAL if bus.every_s is None else bus.every_s
    special = sum(point.every_s != usual for point in points)
    return words.wanted(usual, special, len(points), said=bus.every_s is not None)


def _assumed(bus: KnownBus, table: PollingTable, untried: Sequence[PollingRow]) -> Iterator[str]:
    if not table.rows:
        return
    if len({unit.place.settings for unit in bus.units}) > 1:
        yield words.SETTINGS_DIFFER
    if untried:
        yield words.between_untried({row.place.address for row in untried})
    yield from _said_once((unit, said) for unit in bus.asked for said in _assumed_of(unit))


def _assumed_of(unit: KnownUnit) -> Iterator[str]:
    if unit.latency_s is None:
        yield words.latency_assumed(LATENCY)
    elif not unit.polled:
        yield words.LATENCY_OF_SURVEY
    if unit.registers_a_request is None:
        yield words.most_assumed(MOST_REGISTERS)
    if not unit.certain:
        yield words.TYPE_NOT_CERTAIN


def _said_once(said: Iterable[tuple[KnownUnit, str]]) -> Iterator[str]:
    """One sentence for all units of which the same is said: on a full bus nobody reads it thirty
    times."""
    told: dict[str, list[KnownUnit]] = {}
    for unit, what in said:
        told.setdefault(what, []).append(unit)
    for what, together in told.items():
        yield f"{_names(together)}: {what}."


def _measured(trial: KeptTrial | None, table: PollingTable) -> KeptTrial | None:
    if trial is None or trial.cycle_s is None:
        return None
    tried = trial.requests == {(row.place, row.request.frame) for row in table.rows}
    return trial if tried else None


def cycle_words(made: Polling) -> str:
    """The computed cycle beside the measured one, in one sentence."""
    trial = made.measured
    measured = None if trial is None else trial.cycle_s
    requests = len(made.table.rows)
    said = words.cycle(requests, made.table.cycle_s, measured)
    if trial is None or measured is None:
        return said
    why = words.cycle_difference(requests, measured - made.table.cycle_s, trial.host_delay_s)
    return f"{said} {why} {trial.words}"


def _names(units: Sequence[KnownUnit]) -> str:
    if len(units) == 1:
        return units[0].name
    return words.unit_names(unit.place for unit in units)

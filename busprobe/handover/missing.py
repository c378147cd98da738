"""What is missing for complete papers: what it is, who can supply it, and where it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.drawings.segment_drawing import terminator_places
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import NOT_NOTED
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.text import harmless

YOU, PLAN, UNIT, ELECTRICIAN = (
    "you",
    "the plan of the bus, or whoever made it",
    "its rating plate, or whoever mounted it",
    "whoever pulled the cable",
)


class Ask(StrEnum):
    """Where something that is missing is asked for."""

    DETAILS = "details"
    """The head of the papers: a form of the hand over."""
    PAIR = "pair"
    """The pair of wires: a form of the hand over."""
    UNIT = "unit"
    """A unit and its place: a form of the hand over."""
    CONFIRM = "confirm"
    """Whether units are in place as planned: a question of the hand over."""
    VALUES = "values"
    """Values on the display of a unit: a form of the hand over."""
    CIRCUITS = "circuits"
    """What the channels of meters measure: a list of the hand over."""
    SURVEY = "Survey"
    WIRING = "Wiring"
    IDENTIFY = "Identify"
    READDRESS = "Readdress"
    PROVE = "Prove"


@dataclass(frozen=True)
class Missing:
    """Something that a complete paper says and this one cannot."""

    what: str
    """What is not known, one sentence."""
    who: str
    """Who can supply it."""
    how: str
    """What to do, one sentence."""
    ask: Ask
    field: str = ""
    """Name of the field, where it is one of a form."""
    units: tuple[Place, ...] = ()
    """The units it is missing of, where it is asked unit by unit."""


_OF_PAIR = {
    "master": "the master and its port",
    "cable": "cable type",
    "length_m": "cable length",
    "route": "route",
    "bias": "bias",
    "common": "common conductor",
    "shield": "shield",
    "instruments": "instruments",
}
"""What a complete paper says of the pair, by its field in `Cabling`."""

_NOTED: Mapping[tuple[str, ...], tuple[str, str, str]] = {
    ("tag",): ("Tag", PLAN, "Load a plan of the bus, or name the unit."),
    ("location",): ("Location", PLAN, "Load a plan with locations, or write it."),
    ("position",): (
        "Place along the cable",
        ELECTRICIAN,
        "Load a plan in cable order, or count from the master.",
    ),
    ("distance_m",): (
        "Cable from the master",
        ELECTRICIAN,
        "Note the metres, as far as they are known.",
    ),
    ("maker", "model"): ("Maker and model", UNIT, "Identify the unit, or read them off."),
    ("serial",): ("Serial number", UNIT, "Read it off; the unit did not say it."),
    ("supply",): ("Supply", UNIT, "Note what feeds the unit."),
    ("label_fitted",): ("Label", YOU, "Say whether its label is on it."),
}
"""What a complete paper says of a unit, by the fields that say it: one of them is enough."""


def missing(bus_list: BusList) -> tuple[Missing, ...]:
    """What is not known, with who can supply it; what only a pen can add is in the page's last
    table."""
    return tuple(replace(gap, what=harmless(gap.what)) for gap in _missing(bus_list))


def _missing(bus_list: BusList) -> Iterator[Missing]:
    segment = bus_list.segment
    for name in ("site", "segment", "tester"):
        if not getattr(segment, name):
            yield Missing(
                f"The {name} has no name.", YOU, "Write it in the details.", Ask.DETAILS, name
            )
    yield from _steps(bus_list)
    yield from _pair(bus_list)
    yield from _units(bus_list)
    yield from _circuits(bus_list)
    if segment.every_s is None and bus_list.points:
        how = "Say it with the polling table, in the step Prove."
        yield Missing("Poll interval not set.", "the master's user", how, Ask.PROVE)
    made = polling_of(bus_list)
    if made.table.rows and made.measured is None:
        yield Missing(
            "The polling table was not tried on the bus.",
            YOU,
            "Try it in the step Prove.",
            Ask.PROVE,
        )


def _steps(bus_list: BusList) -> Iterator[Missing]:
    segment = bus_list.segment
    if segment.survey is None or not segment.survey.complete:
        yield Missing(
            "There is no complete survey.", YOU, "Run the step Survey to its end.", Ask.SURVEY
        )
    if segment.listening is None:
        yield Missing(
            "Nothing listened for other traffic before asking.",
            YOU,
            "Listen in the step Wiring.",
            Ask.WIRING,
        )
    if segment.wiring is None:
        how = "Measure in the step Wiring with a multimeter."
        yield Missing("The wiring was not measured.", YOU, how, Ask.WIRING)
    else:
        for skipped in segment.left_out:
            yield Missing(
                f"Not measured: {skipped}.", YOU, "Measure it in the step Wiring.", Ask.WIRING
            )
    unclear = [unit for unit in bus_list.units if unit.state in (EntryKind.CLASH, EntryKind.UNSURE)]
    if unclear:
        what = f"It is not clear who answers at {_names(unclear)}."
        yield Missing(what, YOU, "Resolve it in the step Readdress.", Ask.READDRESS)


def _pair(bus_list: BusList) -> Iterator[Missing]:
    """What nobody noted of the pair, all in one: it is one form."""
    noted = bus_list.segment.cabling
    gaps = [(name, what) for name, what in _OF_PAIR.items() if getattr(noted, name) in ("", None)]
    if terminator_places(bus_list.segment, bus_list.units) == NOT_NOTED:
        gaps.append(("terminator_at_master", "terminators"))
    if gaps:
        what = f"Not noted of the pair: {', '.join(words for _, words in gaps)}."
        yield Missing(what, ELECTRICIAN, "Note what is known of the pair.", Ask.PAIR, gaps[0][0])


def _units(bus_list: BusList) -> Iterator[Missing]:
    alone = [unit for unit in bus_list.units if unit.state is EntryKind.UNIT]
    unread = {point.place for point in bus_list.points if point.registers is None}
    read = [point for point in bus_list.points if point.registers is not None]
    without_values = unread | ({unit.place for unit in alone} - {point.place for point in read})
    not_compared = {point.place for point in read if not point.reference}
    gaps: list[tuple[Callable[[UnitRow], bool], Missing]] = [
        (partial(_lacks, fields), Missing(what, who, how, Ask.UNIT, fields[0]))
        for fields, (what, who, how) in _NOTED.items()
    ]
    gaps += [
        (
            lambda unit: bool(unit.planned),
            Missing(
                "Confirmation on site of what is planned",
                YOU,
                "Confirm a unit with v, or all with a, in the step Hand over.",
                Ask.CONFIRM,
            ),
        ),
        (
            lambda unit: unit.place in without_values,
            Missing("Values", YOU, "Read them in the step Identify.", Ask.IDENTIFY),
        ),
        (
            lambda unit: unit.place in not_compared,
            Missing(
                "Values on the display",
                YOU,
                "Read them off at the unit, or with an instrument.",
                Ask.VALUES,
            ),
        ),
        (
            lambda unit: not unit.polls,
            Missing("Endurance run", YOU, "Run it in the step Prove.", Ask.PROVE),
        ),
        (
            lambda unit: unit.power_cycle_verified is None,
            Missing(
                "Check after a power cycle",
                YOU,
                "Switch it off and on, then look whether it answers as listed.",
                Ask.READDRESS,
            ),
        ),
    ]
    for concerns, gap in gaps:
        if lacking := [unit for unit in alone if concerns(unit)]:
            places = tuple(unit.place for unit in lacking)
            yield replace(gap, what=f"{gap.what} missing: {_names(lacking)}.", units=places)


def _lacks(fields: Iterable[str], unit: UnitRow) -> bool:
    return all(getattr(unit, field) in ("", None) for field in fields)


def _circuits(bus_list: BusList) -> Iterator[Missing]:
    """What nobody noted of the meters' channels, and which way their current transformers point."""
    rows = bus_list.circuits
    gaps = (
        (
            "Circuits not noted",
            "Note what each channel measures.",
            [r for r in rows if not r.circuit.noted],
        ),
        (
            *("Direction of current transformers not checked", "Look at the panel, and say so."),
            [row for row in rows if row.circuit.noted and not row.circuit.direction_checked],
        ),
    )
    for what, how, lacking in gaps:
        if lacking:
            names = ", ".join(f"{row.address} {row.circuit.channel}" for row in lacking)
            places = tuple(dict.fromkeys(row.place for row in lacking))
            yield Missing(f"{what}: {names}.", ELECTRICIAN, how, Ask.CIRCUITS, units=places)


def _names(units: Iterable[UnitRow]) -> str:
    return ", ".join(
        f"{unit.address}{f' {unit.tag}' if unit.seen_on_site('tag') else ''}" for unit in units
    )

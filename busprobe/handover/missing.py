"""What is missing for complete papers: what it is, who can supply it, and where it is asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.handover.drawings.segment_drawing import terminator_places
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import NOT_NOTED, plain
from busprobe.job.records import EntryKind
from busprobe.line.place import Place

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


def missing(bus_list: BusList) -> tuple[Missing, ...]:
    """What is not known, with who can supply it; what only a pen can add is in the page's last
    table."""
    return tuple(replace(gap, what=plain(gap.what)) for gap in _missing(bus_list))


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
        yield Missing(
            "Nobody said how often values are wanted.", "the master's user", how, Ask.PROVE
        )
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
            "Nobody listened before asking.", YOU, "Listen in the step Wiring.", Ask.WIRING
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
    fields = (
        ("master", "the master and its port", noted.master),
        ("cable", "cable type", noted.cable),
        ("length_m", "cable length", noted.length_m),
        ("route", "route", noted.route),
        ("bias", "bias", noted.bias),
        ("common", "common conductor", noted.common),
        ("shield", "shield", noted.shield),
        ("instruments", "instruments", noted.instruments),
    )
    gaps = [(name, words) for name, words, value in fields if value in ("", None)]
    if terminator_places(bus_list.segment, bus_list.units) == NOT_NOTED:
        gaps.append(("terminator_at_master", "terminators"))
    if gaps:
        what = f"Not noted of the pair: {', '.join(words for _, words in gaps)}."
        yield Missing(what, ELECTRICIAN, "Note what is known of the pair.", Ask.PAIR, gaps[0][0])


def _units(bus_list: BusList) -> Iterator[Missing]:
    alone = [unit for unit in bus_list.units if unit.state is EntryKind.UNIT]
    unread = {point.place for point in bus_list.points if point.registers is None}
    read = {point.place for point in bus_list.points if point.registers is not None}
    points: dict[Place, list[PointRow]] = {}
    for point in bus_list.points:
        if point.registers is not None:
            points.setdefault(point.place, []).append(point)
    gaps: Sequence[tuple[str, str, str, Ask, str, Callable[[UnitRow], bool]]] = (
        (
            "Tag",
            PLAN,
            "Load a plan of the bus, or name the unit.",
            Ask.UNIT,
            "tag",
            lambda u: not u.tag,
        ),
        (
            "Location",
            PLAN,
            "Load a plan with locations, or write it.",
            Ask.UNIT,
            "location",
            lambda u: not u.location,
        ),
        (
            *(
                "Place along the cable",
                ELECTRICIAN,
                "Load a plan in cable order, or count from the master.",
            ),
            *(Ask.UNIT, "position", lambda u: u.position is None),
        ),
        (
            *("Cable from the master", ELECTRICIAN, "Note the metres, as far as they are known."),
            *(Ask.UNIT, "distance_m", lambda u: u.distance_m is None),
        ),
        (
            *("Maker and model", UNIT, "Identify the unit, or read them off.", Ask.UNIT, "maker"),
            lambda u: not (u.maker or u.model),
        ),
        (
            "Serial number",
            UNIT,
            "Read it off; the unit did not say it.",
            Ask.UNIT,
            "serial",
            lambda u: not u.serial,
        ),
        ("Supply", UNIT, "Note what feeds the unit.", Ask.UNIT, "supply", lambda u: not u.supply),
        (
            *("Label", YOU, "Say whether its label is on it.", Ask.UNIT, "label_fitted"),
            lambda u: u.label_fitted is None,
        ),
        (
            *("Values", YOU, "Read them in the step Identify.", Ask.IDENTIFY, ""),
            lambda u: u.place not in read or u.place in unread,
        ),
        (
            *(
                "Values on the display",
                YOU,
                "Read them off at the unit, or with an instrument.",
                Ask.VALUES,
                "",
            ),
            lambda u: any(not point.reference for point in points.get(u.place, ())),
        ),
        ("Endurance run", YOU, "Run it in the step Prove.", Ask.PROVE, "", lambda u: not u.polls),
        (
            *(
                "Check after a power cycle",
                YOU,
                "Switch it off and on, then look whether it answers as listed.",
            ),
            *(Ask.READDRESS, "", lambda u: u.power_cycle_verified is None),
        ),
    )
    for what, who, how, ask, field, lacks in gaps:
        if concerned := [unit for unit in alone if lacks(unit)]:
            places = tuple(unit.place for unit in concerned)
            yield Missing(f"{what} missing: {_names(concerned)}.", who, how, ask, field, places)


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
    return ", ".join(f"{unit.address}{f' {unit.tag}' if unit.tag else ''}" for unit in units)

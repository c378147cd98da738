"""Before anything is written: what each paper will have in it, and what is missing for complete ones."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.files import EXPORTERS
from busprobe.handover.html_page import BY_HAND
from busprobe.handover.label_sheets import cable_labels, unit_labels
from busprobe.handover.polling import polling
from busprobe.handover.proof_table import latest_proof
from busprobe.handover.segment_drawing import cable_order, terminators
from busprobe.handover.table import plain
from busprobe.handover.tables import whole_tables
from busprobe.prove.statistics import milliseconds

YOU, PLAN, UNIT, ELECTRICIAN = (
    "you",
    "the plan of the bus, or whoever made it",
    "its rating plate, or whoever mounted it",
    "whoever pulled the cable",
)


@dataclass(frozen=True)
class Missing:
    """Something that a complete paper says and this one cannot."""

    what: str
    """What is not known, one sentence."""
    who: str
    """Who can supply it."""
    how: str
    """What to do, one sentence."""


def preview(bus_list: BusList) -> tuple[str, ...]:
    """The lines of a page that tells of each format what is in its files."""
    lines: list[str] = []
    for name in EXPORTERS:
        lines += [f"{name}", *(f"  {plain(words)}" for words in _PREVIEWS[name](bus_list)), ""]
    return tuple(lines[:-1])


def missing(bus_list: BusList) -> tuple[Missing, ...]:
    """What is not known, with who can supply it; what only a pen can add is in the page's last table."""
    return tuple(replace(gap, what=plain(gap.what)) for gap in _missing(bus_list))


# -- what is in each format ------------------------------------------------------------------------------


def _csv(bus_list: BusList) -> Iterator[str]:
    for table in whole_tables(bus_list):
        yield f"{table.name}.csv: {_count(len(table.rows), 'row')}"


def _json(bus_list: BusList) -> Iterator[str]:
    yield f"bus-list.json: everything, of {_units(bus_list)}"


def _xlsx(bus_list: BusList) -> Iterator[str]:
    yield f"bus-list.xlsx: sheets {', '.join(table.title for table in whole_tables(bus_list))}"


def _html(bus_list: BusList) -> Iterator[str]:
    yield f"bus-list.html: {_units(bus_list)}, tables, a drawing of the segment"
    yield cable_order(bus_list.units)
    yield terminators(bus_list.segment)[1]
    proof = latest_proof(bus_list)
    plotted = 0 if proof is None else sum(bool(unit.reply_times.count) for unit in proof.units)
    yield f"Reply-time plots of {_count(plotted, 'unit')}" if plotted else "No reply-time plots: no endurance run"
    yield f"Left open for a pen: {', '.join(BY_HAND)}"


def _markdown(bus_list: BusList) -> Iterator[str]:
    yield f"bus-list.md: {_units(bus_list)}, the tables as text"


def _labels(bus_list: BusList) -> Iterator[str]:
    yield f"unit-labels.html: {_count(sum(1 for _ in unit_labels(bus_list)), 'label')}"
    yield f"cable-labels.html: {_count(sum(1 for _ in cable_labels(bus_list)), 'label')}, two a length of cable"


def _polling(bus_list: BusList) -> Iterator[str]:
    made = polling(bus_list)
    cycle = f", a cycle takes {milliseconds(made.table.cycle):g} ms" if made.table.rows else ""
    yield f"polling-table.csv: {_count(len(made.table.rows), 'request')}{cycle}"
    yield "polling-notes.csv: what that rests on"
    yield from made.assumed


def _things(bus_list: BusList) -> Iterator[str]:
    files = EXPORTERS["things"](bus_list)
    yield f"{_count(len(files), 'description')}, one a unit"
    yield from files


_PREVIEWS: Mapping[str, Callable[[BusList], Iterable[str]]] = {
    "csv": _csv,
    "json": _json,
    "xlsx": _xlsx,
    "html": _html,
    "markdown": _markdown,
    "labels": _labels,
    "polling": _polling,
    "things": _things,
}


def _units(bus_list: BusList) -> str:
    others = sum(unit.state in ("clash", "unsure") for unit in bus_list.units)
    more = f" and {_count(others, 'address')} where it is not clear who answers" if others else ""
    return f"{_count(bus_list.segment.units, 'unit')}{more}"


def _count(number: int, what: str) -> str:
    plural = f"{what}es" if what.endswith("s") else f"{what}s"
    return f"{number} {what if number == 1 else plural}"


# -- what is missing -------------------------------------------------------------------------------------


def _missing(bus_list: BusList) -> Iterator[Missing]:
    segment = bus_list.segment
    for text, what in ((segment.site, "site"), (segment.segment, "segment"), (segment.tester, "tester")):
        if not text:
            yield Missing(f"The {what} has no name.", YOU, "Write it in the details of the hand over.")
    yield from _steps(bus_list)
    alone = [unit for unit in bus_list.units if unit.state == "unit"]
    unread = {(point.address, point.settings) for point in bus_list.points if point.registers is None}
    read = {(point.address, point.settings) for point in bus_list.points if point.registers is not None}
    gaps: Sequence[tuple[str, str, str, Callable[[UnitRow], bool]]] = (
        ("Tag", PLAN, "Load a plan of the bus, or name the unit.", lambda u: not u.tag),
        ("Location", PLAN, "Load a plan of the bus with its locations.", lambda u: not u.location),
        (
            *("Place along the cable", ELECTRICIAN, "Load a plan of the bus whose rows are in cable order."),
            lambda u: u.position is None,
        ),
        ("Maker and model", UNIT, "Identify the unit, or choose its profile.", lambda u: not (u.maker or u.model)),
        ("Serial number", UNIT, "Read it off; the unit did not say it.", lambda u: not u.serial),
        (
            *("Values", YOU, "Read them in the step Identify."),
            lambda u: (u.address, u.settings) not in read or (u.address, u.settings) in unread,
        ),
        ("Endurance run", YOU, "Run it in the step Prove.", lambda u: not u.polls),
        (
            *("Check after a power cycle", YOU, "Switch it off and on, then look whether it answers as listed."),
            lambda u: u.power_cycle_verified is None,
        ),
    )
    for what, who, how, lacks in gaps:
        if concerned := [unit for unit in alone if lacks(unit)]:
            yield Missing(f"{what} missing: {_names(concerned)}.", who, how)


def _steps(bus_list: BusList) -> Iterator[Missing]:
    segment = bus_list.segment
    if segment.survey is None or not segment.survey.complete:
        yield Missing("There is no complete survey.", YOU, "Run the step Survey to its end.")
    if segment.listening is None:
        yield Missing("Nobody listened before asking.", YOU, "Listen in the step Wiring.")
    if segment.wiring is None:
        yield Missing("The wiring was not measured.", YOU, "Measure in the step Wiring with a multimeter.")
    else:
        for skipped in segment.wiring.document.get("skipped", ()):
            yield Missing(f"Not measured: {skipped}.", YOU, "Measure it in the step Wiring.")
    unclear = [unit for unit in bus_list.units if unit.state in ("clash", "unsure")]
    if unclear:
        yield Missing(f"It is not clear who answers at {_names(unclear)}.", YOU, "Resolve it in the step Readdress.")


def _names(units: Iterable[UnitRow]) -> str:
    return ", ".join(f"{unit.address}{f' {unit.tag}' if unit.tag else ''}" for unit in units)

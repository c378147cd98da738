"""The tables that a bus list has, the same in every format: segment, units, points, journal, proof,
wiring, caveats."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

from busprobe.handover.bus_list import BusList, JournalRow, PointRow, SegmentSheet, UnitRow
from busprobe.handover.circuits import circuit_tables
from busprobe.handover.drawings.segment import terminator_places
from busprobe.handover.table import NOT_NOTED, NOT_TESTED, Cell, Table, in_words
from busprobe.handover.tables.acceptance import acceptance_table
from busprobe.handover.tables.addresses import address_table
from busprobe.handover.tables.polling import SHORT_COLUMNS, polling_tables
from busprobe.handover.tables.proof import advice, proof_table
from busprobe.modbus.addresses import format_addresses
from busprobe.readdress.words import RESULT_WORDS
from busprobe.wiring.meter import Measurement

Row = TypeVar("Row")
Columns = tuple[tuple[str, Callable[[Row], Cell]], ...]

UNIT_COLUMNS: Columns[UnitRow] = (
    ("No.", lambda u: u.number),
    ("Position on cable", lambda u: u.position),
    ("Cable from master m", lambda u: u.distance_m),
    ("State", lambda u: u.state),
    ("Plan", lambda u: u.plan),
    ("Address", lambda u: u.address),
    ("Address hex", lambda u: _hex(u.address, 2)),
    ("Tag", lambda u: u.tag),
    ("Device type", lambda u: u.device_type),
    ("Location", lambda u: u.location),
    ("Maker", lambda u: u.maker),
    ("Model", lambda u: u.model),
    ("Serial no.", lambda u: u.serial),
    ("Revision", lambda u: u.revision),
    ("Identity source", lambda u: u.identity_source),
    ("Supply", lambda u: u.supply),
    ("Terminator fitted", lambda u: _noted(_yes_no(u.terminator)) if u.found else None),
    ("Label fitted", lambda u: _noted(_yes_no(u.label_fitted)) if u.found else None),
    ("Profile", lambda u: u.profile),
    ("Profile match", lambda u: u.match),
    ("Factory address", lambda u: u.factory_address),
    ("Previous address", lambda u: u.previous_address),
    ("How set", lambda u: u.how_set),
    ("Line settings", lambda u: u.settings),
    ("Read functions", lambda u: _listed(u.read_functions)),
    ("Write function", lambda u: u.write_function),
    ("Word order", lambda u: _listed(u.word_orders)),
    ("Register numbering", lambda u: u.numbering),
    ("Registers a request", lambda u: u.registers_a_request),
    ("Gap needed ms", lambda u: u.gap_ms),
    ("Reply time min ms", lambda u: u.latency_minimum_ms),
    ("Reply time median ms", lambda u: u.latency_median_ms),
    ("Reply time max ms", lambda u: u.latency_maximum_ms),
    ("Power cycle verified", lambda u: _tested(u, _yes_no(u.power_cycle_verified))),
    ("Test polls", lambda u: _tested(u, u.polls)),
    ("Timeouts", lambda u: _tested(u, u.timeouts)),
    ("CRC errors", lambda u: _tested(u, u.crc_errors)),
    ("Other errors", lambda u: _tested(u, u.other_errors)),
    ("Exceptions", lambda u: _tested(u, u.exceptions)),
    ("Replies after junk", lambda u: _tested(u, u.after_junk)),
    ("Sample request hex", lambda u: _tested(u, u.sample[0] if u.sample else None)),
    ("Sample reply hex", lambda u: _tested(u, u.sample[1] if u.sample else None)),
    ("Last seen UTC", lambda u: u.seen),
    ("By", lambda u: u.seen_by),
    ("Remarks", lambda u: " | ".join(u.remarks)),
)
"""Titles and contents of the list of units."""

POINT_COLUMNS: Columns[PointRow] = (
    ("Address", lambda p: p.address),
    ("Address hex", lambda p: _hex(p.address, 2)),
    ("Line settings", lambda p: p.settings),
    ("Tag", lambda p: p.tag),
    ("Profile", lambda p: p.profile),
    ("Point", lambda p: p.name),
    ("Description", lambda p: p.description),
    ("Channel", lambda p: p.channel),
    ("Register", lambda p: p.register),
    ("Register hex", lambda p: _hex(p.register, 4)),
    ("Register in data sheet", lambda p: p.sheet_register),
    ("Data sheet numbering", lambda p: p.numbering),
    ("Function", lambda p: p.function),
    ("Access", lambda p: _noted(p.access)),
    ("Registers", lambda p: p.count),
    ("Type", lambda p: p.type),
    ("Word order", lambda p: p.word_order),
    ("Unit", lambda p: p.unit),
    ("Scale", lambda p: p.scale),
    ("Scale register", lambda p: p.scale_register),
    ("Offset", lambda p: p.offset),
    ("Plausible from", lambda p: p.plausible_min),
    ("Plausible to", lambda p: p.plausible_max),
    ("Wanted every s", lambda p: p.every_s),
    ("Raw hex", lambda p: " ".join(_hex(register, 4) for register in p.registers or ())),
    ("Value read", lambda p: NOT_TESTED if p.registers is None else p.value),
    ("Value as text", lambda p: p.text),
    ("Plausible", lambda p: _yes_no(p.plausible)),
    ("Value on display", lambda p: _noted(p.reference)),
    ("Deviation from display", lambda p: p.deviation),
    ("Tolerance", lambda p: p.tolerance),
    ("Tolerance %", lambda p: p.tolerance_percent),
    ("Within tolerance", lambda p: _within(p)),
)
"""Titles and contents of the list of points."""

JOURNAL_COLUMNS: Columns[JournalRow] = (
    ("No.", lambda w: w.number),
    ("Intended UTC", lambda w: w.intended),
    ("By", lambda w: w.tester),
    ("Kind", lambda w: w.kind),
    ("From address", lambda w: w.from_address),
    ("To address", lambda w: w.to_address),
    ("Line settings", lambda w: w.settings),
    ("Line settings wanted", lambda w: w.wanted_settings),
    ("Serial no.", lambda w: w.serial),
    ("What it does", lambda w: w.words),
    ("Request hex", lambda w: w.request),
    ("Outcome", lambda w: "not known" if w.outcome is None else RESULT_WORDS[w.outcome]),
    ("Reply from", lambda w: w.reply_from),
    ("Replies hex", lambda w: " | ".join(c.reply or "none" for c in w.conclusions)),
    ("Power cycle verified", lambda w: _yes_no(w.power_cycle_verified)),
    (
        "Why",
        lambda w: " | ".join(f"{c.made} {RESULT_WORDS[c.outcome]}: {c.why}" for c in w.conclusions),
    ),
)
"""Titles and contents of the journal of writes."""

WHO_COLUMNS = (
    *(
        "No.",
        "State",
        "Plan",
        "Address",
        "Address hex",
        "Tag",
        "Device type",
        "Maker",
        "Model",
        "Serial no.",
    ),
    *("Revision", "Identity source", "Line settings"),
)
"""Columns of the list of units on a page: who is there."""

WHERE_COLUMNS = (
    *(
        "Address",
        "Tag",
        "Location",
        "Position on cable",
        "Cable from master m",
        "Terminator fitted",
        "Supply",
    ),
    *("Label fitted", "Remarks"),
)
"""Columns of the list of units on a page: where each is."""

HOW_COLUMNS = (
    *(
        "Address",
        "Tag",
        "Line settings",
        "Factory address",
        "Previous address",
        "How set",
        "Read functions",
    ),
    *("Write function", "Word order", "Register numbering", "Registers a request", "Gap needed ms"),
)
"""Columns of the list of units on a page: how each is spoken to."""

TEST_COLUMNS = (
    *(
        "Address",
        "Tag",
        "Reply time min ms",
        "Reply time median ms",
        "Reply time max ms",
        "Power cycle verified",
    ),
    *(
        "Test polls",
        "Timeouts",
        "CRC errors",
        "Other errors",
        "Exceptions",
        "Replies after junk",
        "Last seen UTC",
    ),
    "By",
)
"""Columns of the list of units on a page: how each held up."""

SHORT_POINT_COLUMNS = (
    *(
        "Address",
        "Tag",
        "Point",
        "Register",
        "Register hex",
        "Register in data sheet",
        "Function",
        "Registers",
        "Type",
    ),
    *("Word order", "Scale", "Offset", "Unit", "Raw hex", "Value as text", "Plausible"),
    *("Value on display", "Deviation from display", "Within tolerance"),
)
"""Columns of the list of points on a page."""


def whole_tables(bus_list: BusList) -> tuple[Table, ...]:
    """All tables with all their columns, in the order they are read."""
    return (
        segment_table(bus_list),
        unit_table(bus_list),
        address_table(bus_list),
        point_table(bus_list),
        *circuit_tables(bus_list),
        journal_table(bus_list),
        proof_table(bus_list),
        wiring_table(bus_list),
        acceptance_table(bus_list),
        *comparison_tables(bus_list),
        caveat_table(bus_list),
    )


def book_tables(bus_list: BusList) -> tuple[Table, ...]:
    """All tables of a workbook: those of the bus list and, where as CSV it is a format of its own,
    the polling."""
    return (*whole_tables(bus_list), *polling_tables(bus_list))


def page_tables(bus_list: BusList) -> tuple[Table, ...]:
    """The tables as they fit on a page, the wide ones in parts."""
    units = unit_table(bus_list)
    return (
        segment_table(bus_list),
        acceptance_table(bus_list),
        *comparison_tables(bus_list),
        units.only("Units: who is there", WHO_COLUMNS),
        units.only("Units: where they are", WHERE_COLUMNS),
        units.only("Units: how to speak to them", HOW_COLUMNS),
        units.only("Units: how they held up", TEST_COLUMNS),
        address_table(bus_list),
        point_table(bus_list).only("Points", SHORT_POINT_COLUMNS),
        *circuit_tables(bus_list),
        polling_tables(bus_list)[0].only("Polling table", SHORT_COLUMNS),
        journal_table(bus_list),
        proof_table(bus_list),
        wiring_table(bus_list),
    )


def segment_table(bus_list: BusList) -> Table:
    """The pair of wires as a whole, an item a row."""
    return Table("segment", "Segment", ("Item", "Value"), tuple(_segment_rows(bus_list)))


def unit_table(bus_list: BusList) -> Table:
    """Units, clashes and reserved addresses, in cable order where that is known."""
    return _table("bus-list", "Units", UNIT_COLUMNS, bus_list.units)


def point_table(bus_list: BusList) -> Table:
    """Every value, as read or not read."""
    return _table("point-list", "Points", POINT_COLUMNS, bus_list.points)


def journal_table(bus_list: BusList) -> Table:
    """Every write that was ever about to be sent."""
    return _table("journal", "Journal of writes", JOURNAL_COLUMNS, bus_list.journal)


def wiring_table(bus_list: BusList) -> Table:
    """What was measured and heard on the pair, and what was not."""
    columns = ("Measurement", "Reading", "Verdict", "What it fits", "Next step", "Limits", "Source")
    return Table("wiring", "Wiring", columns, tuple(_wiring_rows(bus_list.segment)))


def comparison_tables(bus_list: BusList) -> Iterator[Table]:
    """What is not as it was at an earlier visit, where one was held against this."""
    earlier = bus_list.earlier
    if earlier is None:
        return
    last = f", units last seen {earlier.seen}" if earlier.seen else ""
    rows: list[tuple[Cell, ...]] = [
        (
            "earlier visit",
            None,
            None,
            f"{earlier.name}, begun {earlier.created}{last}, by {earlier.tester or 'nobody'}",
        )
    ]
    found = earlier.comparison
    rows += [
        (str(each.kind), each.address_before, each.address_now, each.words)
        for each in found.differences
    ]
    if not found.differences:
        rows.append(("nothing", None, None, "Nothing that was compared differs."))
    rows += [("not compared", None, None, words) for words in found.not_compared]
    yield Table(
        "comparison",
        "Since the earlier visit",
        ("What", "Address then", "Address now", "How"),
        tuple(rows),
    )


def caveat_table(bus_list: BusList) -> Table:
    """What needs attention and what nobody tested."""
    rows = (
        *(("attention", words) for words in bus_list.attention),
        *((NOT_TESTED, words) for words in bus_list.not_tested),
    )
    return Table("caveats", "Attention and not tested", ("Kind", "What"), rows)


def _table(name: str, title: str, columns: Columns[Row], rows: Iterable[Row]) -> Table:
    cells = tuple(tuple(content(row) for _, content in columns) for row in rows)
    return Table(name, title, tuple(column for column, _ in columns), cells)


def _segment_rows(bus_list: BusList) -> Iterator[tuple[Cell, ...]]:
    segment, units = bus_list.segment, bus_list.units
    yield "Project", _noted(segment.project)
    yield "Site", segment.site
    yield "Segment", segment.segment
    yield "Tester", segment.tester
    noted = segment.cabling
    yield "Witness", _noted(noted.witness)
    yield "Master and its port", _noted(noted.master)
    yield "Gateway and its settings", _noted(noted.gateway)
    yield "Cable type", _noted(noted.cable)
    yield "Cable length m", NOT_NOTED if noted.length_m is None else noted.length_m
    yield "Route and topology", _noted(noted.route)
    yield "Terminators fitted at", terminator_places(segment, units)
    yield "Bias fitted at", _noted(noted.bias)
    yield "Common conductor", _noted(noted.common)
    yield "Shield earthed at", _noted(noted.shield)
    yield "Instruments used", _noted(noted.instruments)
    for measurement in Measurement:
        judged = segment.judged.get(measurement)
        yield f"Measured: {measurement}", NOT_TESTED if judged is None else judged["reading"]
    yield "Port opened last", segment.port
    yield "Adapter", _noted(segment.adapter)
    yield "Job begun UTC", segment.created
    yield "List made UTC", segment.made
    yield "Made with", segment.tool
    yield "Line settings of the units", ", ".join(segment.settings)
    yield "Units", segment.units
    yield (
        "Spare addresses",
        (NOT_TESTED if segment.spare is None else in_words(segment.spare) or "none"),
    )
    reserved = format_addresses(unit.address for unit in units if unit.state == "reserved")
    yield "Reserved addresses", in_words(reserved) or "none"
    for item in advice(bus_list):
        yield f"Advised: {item.name} {item.unit}".strip(), item.value
    survey = segment.survey
    if survey is None:
        yield "Survey", NOT_TESTED
    else:
        yield "Survey begun UTC", survey.begun
        yield "Survey ended UTC", survey.ended or "cut off"
        yield "Survey complete", _yes_no(survey.complete)
        yield "Survey port", survey.port
        yield "Line settings searched", ", ".join(survey.settings)
        yield "Addresses searched", in_words(survey.addresses)
        yield "Survey took s", survey.seconds
        yield "Adapter returns our own bytes", _yes_no(survey.echo)
        yield "Another master heard in the survey", _yes_no(survey.other_master)
        yield "Stray bytes heard in the survey", survey.noise_bytes
        for note in survey.notes:
            yield "Survey note", note
    listening = segment.listening
    yield (
        "Listened before asking",
        (NOT_TESTED if listening is None else str(listening.document.get("words", ""))),
    )
    yield "Wiring measured UTC", NOT_TESTED if segment.wiring is None else segment.wiring.made
    cautions = segment.cautions
    yield (
        "Cautions read by",
        (NOT_NOTED if cautions is None else f"{cautions.document.get('by', '')}, {cautions.made}"),
    )


def _wiring_rows(segment: SegmentSheet) -> Iterator[tuple[Cell, ...]]:
    if segment.wiring is None:
        yield "all", "", NOT_TESTED, "The wiring was not measured.", "", "", ""
    document = {} if segment.wiring is None else segment.wiring.document
    fields = ("measurement", "reading", "level", "words", "action", "limits", "source")
    for judgement in document.get("judgements", ()):
        yield tuple(str(judgement.get(field, "")) for field in fields)
    for kind, where in (
        ("observations", "listening to the pair"),
        ("patterns", "failures by place and time"),
    ):
        for seen in document.get(kind, ()):
            causes, actions = (
                " | ".join(hint[key] for hint in seen["hints"]) for key in ("cause", "action")
            )
            yield where, seen["seen"], "seen", causes, actions, "", ""
    for kept in document.get("sums", ()):
        told = " ".join(kept["lines"])
        yield kept["title"], kept["given"], "reckoned", told, "", kept["formula"], kept["source"]
    for skipped in segment.left_out:
        yield skipped, "", NOT_TESTED, "", "", "", ""
    for hunt in segment.hunts:
        log = " | ".join(hunt.document["log"]) or "Nobody started or stopped answering."
        yield f"hunt for {hunt.document['addresses']}", hunt.made, "seen", log, "", "", ""


def _hex(number: int, digits: int) -> str:
    return f"0x{number:0{digits}X}"


def _listed(values: Iterable[object]) -> str:
    return " ".join(str(value) for value in values)


def _yes_no(answer: bool | None) -> str | None:
    return None if answer is None else "yes" if answer else "no"


def _tested(unit: UnitRow, result: Cell) -> Cell:
    return NOT_TESTED if result is None and unit.found else result


def _within(point: PointRow) -> str | None:
    """Whether the value is within its tolerance, or why that cannot be told; nothing where nothing
    was noted."""
    if point.within_tolerance is None and point.reference:
        return "cannot be compared" if point.deviation is None else "no tolerance stated"
    return _yes_no(point.within_tolerance)


def _noted(text: str | None) -> str:
    return text or NOT_NOTED

"""The tables that a bus list has, the same in every format: segment, units, points, journal, proof,
wiring, caveats."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.handover.bus_list import (
    HOW,
    POINTS,
    TEST,
    WHERE,
    WHO,
    BusList,
    JournalRow,
    PointRow,
    SegmentSheet,
    UnitRow,
)
from busprobe.handover.circuits import circuit_tables
from busprobe.handover.drawings.segment_drawing import terminator_places
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import (
    NOT_NOTED,
    NOT_TESTED,
    Cell,
    PagePart,
    Table,
    columns_of,
    in_words,
    noted,
    table_of,
    yes_no,
)
from busprobe.handover.tables.acceptance import acceptance_table
from busprobe.handover.tables.addresses import address_table
from busprobe.handover.tables.found_and_left import found_and_left_table
from busprobe.handover.tables.master_points import master_table
from busprobe.handover.tables.polling_table import REQUESTS, polling_tables, request_table
from busprobe.handover.tables.proof_table import advice, proof_table
from busprobe.handover.title_block import title_items
from busprobe.modbus.addresses import format_addresses
from busprobe.wiring.meter import Measurement


def whole_tables(bus_list: BusList) -> tuple[Table, ...]:
    """All tables with all their columns, in the order they are read."""
    return (
        segment_table(bus_list),
        unit_table(bus_list),
        found_and_left_table(bus_list),
        address_table(bus_list),
        point_table(bus_list),
        *circuit_tables(bus_list),
        journal_table(bus_list),
        proof_table(bus_list),
        wiring_table(bus_list),
        acceptance_table(bus_list),
        *comparison_tables(bus_list),
        *revision_tables(bus_list),
        caveat_table(bus_list),
    )


def book_tables(bus_list: BusList) -> tuple[Table, ...]:
    """All tables of a workbook: those of the bus list and, where as CSV it is a format of its own,
    the polling."""
    return (*whole_tables(bus_list), *polling_tables(bus_list), master_table(bus_list))


def page_tables(bus_list: BusList) -> tuple[Table, ...]:
    """The tables as they fit on a page, the wide ones in parts."""
    return (
        segment_table(bus_list),
        *revision_tables(bus_list),
        acceptance_table(bus_list),
        *comparison_tables(bus_list),
        unit_table(bus_list, WHO),
        unit_table(bus_list, WHERE),
        found_and_left_table(bus_list),
        unit_table(bus_list, HOW),
        unit_table(bus_list, TEST),
        address_table(bus_list),
        point_table(bus_list, POINTS),
        *circuit_tables(bus_list),
        request_table(polling_of(bus_list), REQUESTS),
        journal_table(bus_list),
        proof_table(bus_list),
        wiring_table(bus_list),
    )


def segment_table(bus_list: BusList) -> Table:
    """The pair of wires as a whole, an item a row."""
    return Table("segment", "Segment", ("Item", "Value"), tuple(_segment_rows(bus_list)))


def unit_table(bus_list: BusList, part: PagePart | None = None) -> Table:
    """Units, clashes and reserved addresses, in cable order where that is known."""
    return table_of("bus-list", "Units", columns_of(UnitRow), bus_list.units, part)


def point_table(bus_list: BusList, part: PagePart | None = None) -> Table:
    """Every value, as read or not read."""
    return table_of("point-list", "Points", columns_of(PointRow), bus_list.points, part)


def journal_table(bus_list: BusList) -> Table:
    """Every write that was ever about to be sent."""
    return table_of("journal", "Journal of writes", columns_of(JournalRow), bus_list.journal)


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


def revision_tables(bus_list: BusList) -> Iterator[Table]:
    """Every issue of the documents with what changed."""
    if bus_list.revisions:
        rows = tuple(
            (each.letter, each.made, each.author, each.reason, " | ".join(each.changed))
            for each in bus_list.revisions
        )
        columns = ("Revision", "Made UTC", "By", "Reason", "What changed")
        yield Table("revisions", "Revisions", columns, rows)


def caveat_table(bus_list: BusList) -> Table:
    """What needs attention and what nobody tested."""
    rows = (
        *(("attention", words) for words in bus_list.attention),
        *((NOT_TESTED, words) for words in bus_list.not_tested),
    )
    return Table("caveats", "Attention and not tested", ("Kind", "What"), rows)


def _segment_rows(bus_list: BusList) -> Iterator[tuple[Cell, ...]]:
    segment, units = bus_list.segment, bus_list.units
    yield from title_items(bus_list)
    yield "Tester", segment.tester
    cabling = segment.cabling
    yield "Witness", noted(cabling.witness)
    yield "Master and its port", noted(cabling.master)
    yield "Gateway and its settings", noted(cabling.gateway)
    yield "Cable type", noted(cabling.cable)
    yield "Cable length m", NOT_NOTED if cabling.length_m is None else cabling.length_m
    yield "Route and topology", noted(cabling.route)
    yield "Terminators fitted at", terminator_places(segment, units)
    yield "Bias fitted at", noted(cabling.bias)
    yield "Common conductor", noted(cabling.common)
    yield "Shield earthed at", noted(cabling.shield)
    yield "Instruments used", noted(cabling.instruments)
    yield "Instruments: serial number", noted(cabling.instrument_serial)
    yield "Instruments: calibrated", noted(cabling.instrument_calibrated)
    readings = {each.measurement: each.reading for each in segment.wiring_record.judgements}
    for measurement in Measurement:
        yield f"Measured: {measurement}", readings.get(measurement, NOT_TESTED)
    yield "Port opened last", segment.port
    yield "Adapter", noted(segment.adapter)
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
        yield "Survey complete", yes_no(survey.complete)
        yield "Survey port", survey.port
        yield "Line settings searched", ", ".join(survey.settings)
        yield "Addresses searched", in_words(survey.addresses)
        yield "Survey took s", survey.seconds
        yield "Adapter returns our own bytes", yes_no(survey.echo)
        yield "Another master heard in the survey", yes_no(survey.other_master)
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
    record = segment.wiring_record
    for each in record.judgements:
        verdict = (str(each.level), each.words, each.action, each.limits, each.source)
        yield str(each.measurement), each.reading, *verdict
    for seen, where in (
        (record.observations, "listening to the pair"),
        (record.patterns, "failures by place and time"),
    ):
        for one in seen:
            causes = " | ".join(hint.cause for hint in one.hints)
            actions = " | ".join(hint.action for hint in one.hints)
            yield where, one.seen, "seen", causes, actions, "", ""
    for kept in record.calculations:
        told = " ".join(kept.lines)
        yield kept.title, kept.given, "reckoned", told, "", kept.formula, kept.source
    for skipped in segment.left_out:
        yield skipped, "", NOT_TESTED, "", "", "", ""
    for hunt in segment.hunts:
        log = " | ".join(hunt.document["log"]) or "No unit started or stopped answering."
        yield f"hunt for {hunt.document['addresses']}", hunt.made, "seen", log, "", "", ""

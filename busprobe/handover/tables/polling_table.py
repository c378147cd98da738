"""The polling table and what it rests on, as tables."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from busprobe.handover.bus_list import BusList
from busprobe.handover.known_bus import polling_of
from busprobe.handover.table import NOT_TESTED, Cell, Column, PagePart, Table, in_hex, table_of
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.handover.targets import problems
from busprobe.line.settings import COMMON_BAUDS
from busprobe.line.timing import silence_before
from busprobe.modbus.addresses import both_forms
from busprobe.prove.bus_polling import Polling
from busprobe.prove.polling_table import PollingRow
from busprobe.prove.statistics import milliseconds
from busprobe.text import hex_bytes

REQUESTS = PagePart("Polling table")
"""The requests on a page."""

_COLUMNS: tuple[Column, ...] = (
    Column("No.", lambda one: one[0], (REQUESTS,)),
    Column("Address", lambda one: one[1].place.address, (REQUESTS,)),
    Column("Address hex", lambda one: in_hex(one[1].place.address, 2)),
    Column("Line settings", lambda one: str(one[1].place.settings), (REQUESTS,)),
    Column("Function", lambda one: one[1].block.function, (REQUESTS,)),
    Column("Register", lambda one: one[1].block.register, (REQUESTS,)),
    Column("Register hex", lambda one: in_hex(one[1].block.register, 4), (REQUESTS,)),
    Column("Registers", lambda one: one[1].block.count, (REQUESTS,)),
    Column("Every s", lambda one: one[1].every_s, (REQUESTS,)),
    Column("Points", lambda one: " | ".join(one[1].names), (REQUESTS,)),
    Column("Registers in between", lambda one: sum(b.count for b in one[1].between)),
    Column("Request hex", lambda one: hex_bytes(one[1].request.frame), (REQUESTS,)),
    Column("Gap before ms", lambda one: _gap(one[1])),
    Column("Reply time ms", lambda one: milliseconds(one[1].latency_s)),
    Column("Exchange ms", lambda one: milliseconds(one[1].seconds), (REQUESTS,)),
)
"""Of a request and its number."""


def polling_tables(bus_list: BusList) -> tuple[Table, Table]:
    """The requests in the order of the master's cycle, and what they rest on."""
    made = polling_of(bus_list)
    notes = Table(
        "polling-notes",
        "Polling notes",
        ("What", "Value", "Unit", "Note"),
        tuple(_notes(bus_list, made)),
    )
    return request_table(made), notes


def request_table(made: Polling, part: PagePart | None = None) -> Table:
    """The requests in the order of the master's cycle."""
    rows = enumerate(made.table.rows, start=1)
    return table_of("polling-table", "Polling table", _COLUMNS, rows, part)


def _gap(row: PollingRow) -> float | None:
    return milliseconds(silence_before(row.place.settings, row.gap_s))


def _notes(bus_list: BusList, made: Polling) -> Iterator[tuple[Cell, ...]]:
    yield "Requests", len(made.table.rows), "", "Registers are zero-based, as on the wire."
    yield "Wanted", bus_list.segment.every_s, "s", made.wanted
    if made.table.rows:
        yield (
            "Whole cycle, computed",
            milliseconds(made.table.cycle_s),
            "ms",
            "all requests one after the other",
        )
        measured = made.measured.cycle_s if made.measured else None
        if made.measured is None or measured is None:
            yield (
                "Whole cycle, measured",
                NOT_TESTED,
                "",
                "These requests were not tried on the bus.",
            )
        else:
            yield (
                "Whole cycle, measured",
                milliseconds(measured),
                "ms",
                made.measured.words,
            )
            yield (
                "Difference a request",
                milliseconds((measured - made.table.cycle_s) / len(made.table.rows)),
                "ms",
                "measured less computed, over the requests of the table",
            )
            yield (
                "Host delay a request, measured",
                milliseconds(made.measured.host_delay_s),
                "ms",
                "what the computer took before a request beyond the silence due, in the median: a"
                " master has its own",
            )
        yield (
            "Bus load, computed",
            round(100 * made.table.load, 1),
            "%",
            "gaps and waiting for replies included",
        )
        for baud in COMMON_BAUDS:
            table = made.table.at_baud(baud)
            note = (
                "computed; character formats and the units' own part of their reply times unchanged"
            )
            yield f"Whole cycle at {baud} baud", milliseconds(table.cycle_s), "ms", note
    proof = latest_proof(bus_list)
    if proof is not None and (median := proof.round_times.median) is not None:
        note = f"median of {proof.rounds} rounds of the endurance run, which cuts its own requests"
        yield "Round as measured", milliseconds(median), "ms", note
    for words in made.assumed:
        yield "Mind", None, "", words
    for problem in problems(bus_list.points):
        yield "The master's addresses", None, "", problem.words
    for words in made.not_asked:
        yield "Not asked", None, "", words
    for place, constant in groupby(
        (point for point in bus_list.points if point.read_once), key=lambda point: point.place
    ):
        names = ", ".join(point.name for point in constant)
        yield "Read once, not polled", None, "", f"Address {both_forms(place.address)}: {names}."

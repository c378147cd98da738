"""The polling table and what it rests on, as tables."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.handover.bus_list import BusList
from busprobe.handover.polling import Polling, polling
from busprobe.handover.table import NOT_TESTED, Cell, Table
from busprobe.handover.tables.proof import latest_proof
from busprobe.line.settings import COMMON_BAUDS
from busprobe.line.timing import silence_before
from busprobe.prove.polling_table import PollingRow
from busprobe.prove.statistics import milliseconds
from busprobe.text import hex_bytes

COLUMNS = (
    *(
        "No.",
        "Address",
        "Address hex",
        "Line settings",
        "Function",
        "Register",
        "Register hex",
        "Registers",
    ),
    *(
        "Every s",
        "Points",
        "Registers in between",
        "Request hex",
        "Gap before ms",
        "Reply time ms",
        "Exchange ms",
    ),
)
SHORT_COLUMNS = (
    *(
        "No.",
        "Address",
        "Line settings",
        "Function",
        "Register",
        "Register hex",
        "Registers",
        "Every s",
        "Points",
    ),
    *("Request hex", "Exchange ms"),
)
"""Columns of the requests on a page."""


def polling_tables(bus_list: BusList) -> tuple[Table, Table]:
    """The requests in the order of the master's cycle, and what they rest on."""
    made = polling(bus_list)
    requests = Table("polling-table", "Polling table", COLUMNS, tuple(_request_rows(made)))
    notes = Table(
        "polling-notes",
        "Polling notes",
        ("What", "Value", "Unit", "Note"),
        tuple(_notes(bus_list, made)),
    )
    return requests, notes


def _request_rows(made: Polling) -> Iterator[tuple[Cell, ...]]:
    for number, row in enumerate(made.table.rows, start=1):
        yield (
            *(number, row.place.address, f"0x{row.place.address:02X}"),
            *(str(row.place.settings), row.block.function),
            *(
                row.block.register,
                f"0x{row.block.register:04X}",
                row.block.count,
                row.every_s,
                " | ".join(row.names),
            ),
            *(sum(block.count for block in row.between), hex_bytes(row.request.frame), _gap(row)),
            *(milliseconds(row.latency_s), milliseconds(row.seconds)),
        )


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
        yield (
            "Bus load, computed",
            round(100 * made.table.load, 1),
            "%",
            "gaps and waiting for replies included",
        )
        if made.measured is None:
            yield (
                "Whole cycle, measured",
                NOT_TESTED,
                "",
                "These requests were not tried on the bus.",
            )
        else:
            yield (
                "Whole cycle, measured",
                milliseconds(made.measured.seconds),
                "ms",
                made.measured.words,
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
    for words in made.not_asked:
        yield "Not asked", None, "", words

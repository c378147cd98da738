"""Every paper before it is written: its text, or what is in it where it is no text."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from busprobe.handover.bus_list import BusList
from busprobe.handover.drawings.segment_drawing import cable_order, terminators
from busprobe.handover.files import EXPORTERS
from busprobe.handover.formats.html_page import by_hand
from busprobe.handover.formats.label_sheets import LABEL_FILES
from busprobe.handover.tables.papers import book_tables, page_tables
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.text import harmless

_PAIRS = 2
"""Columns of a table of items and values."""


@dataclass(frozen=True)
class Paper:
    """One file before it is written."""

    format: str
    name: str
    lines: tuple[str, ...]


def papers(bus_list: BusList) -> tuple[Paper, ...]:
    """Every file of every format, in the order of the formats."""
    return tuple(
        Paper(
            format_, name, tuple(harmless(line) for line in _READ[format_](bus_list, name, content))
        )
        for format_, exporter in EXPORTERS.items()
        for name, content in exporter(bus_list).items()
    )


def _records(_: BusList, name: str, content: bytes) -> Iterator[str]:  # noqa: ARG001 - one shape for all
    """A table of many columns row by row, cells that are empty left out: the screen is narrower
    than a sheet."""
    rows = list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))
    yield _count(len(rows), "row")
    for row in rows:
        if len(row) == _PAIRS:
            yield ": ".join(row.values())
        else:
            yield ""
            yield from (f"{title}: {cell}" for title, cell in row.items() if cell)


def _text(_: BusList, name: str, content: bytes) -> Iterable[str]:  # noqa: ARG001 - one shape for all
    return content.decode().splitlines()


def _workbook(bus_list: BusList, name: str, content: bytes) -> Iterator[str]:
    yield f"{name}, {len(content) / 1024:.0f} KiB, a sheet a table:"
    for table in book_tables(bus_list):
        yield f"{table.title}: {_count(len(table.rows), 'row')}"


def _page(bus_list: BusList, name: str, content: bytes) -> Iterator[str]:
    yield f"{name}, {len(content) / 1024:.0f} KiB, with a drawing of the segment"
    yield cable_order(bus_list.units)
    yield terminators(bus_list.segment)[1]
    proof = latest_proof(bus_list)
    plotted = 0 if proof is None else sum(bool(unit.reply_times.count) for unit in proof.units)
    yield (
        f"Reply-time plots of {_count(plotted, 'unit')}"
        if plotted
        else "No reply-time plots: no endurance run"
    )
    for table in page_tables(bus_list):
        yield f"{table.title}: {_count(len(table.rows), 'row')}"
    yield f"Left open for a pen: {', '.join(by_hand(bus_list))}"


def _labels(bus_list: BusList, name: str, content: bytes) -> Iterator[str]:  # noqa: ARG001 - one shape for all
    labels = list(LABEL_FILES[name].labels(bus_list))
    yield _count(len(labels), "label")
    for label in labels:
        yield from ("", label.large, *(f"  {line}" for line in label.lines if line))


_READ: Mapping[str, Callable[[BusList, str, bytes], Iterable[str]]] = {
    "csv": _records,
    "json": _text,
    "xlsx": _workbook,
    "html": _page,
    "markdown": _text,
    "labels": _labels,
    "polling": _records,
    "things": _text,
}


def _count(number: int, what: str) -> str:
    return f"{number} {what if number == 1 else f'{what}s'}"

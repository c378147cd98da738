"""The bus list and the point list as CSV, for spreadsheets: ``bus-list.csv`` and ``point-list.csv``.

Comma separated, CRLF, UTF-8 with a byte order mark: without the mark a spreadsheet on Windows takes the file for
its local encoding and breaks ° and ³ (RFC 4180 for the form; the mark is common practice).  An empty cell says
*not known*; what was to be tested and was not says so.

A spreadsheet takes text that begins with ``= + - @`` for a formula.  Such cells get a leading apostrophe, also
where the sign follows a semicolon, at which a spreadsheet with a decimal comma splits cells; plain numbers stay
numbers.  Control codes are written out.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.text import visible

NOT_TESTED = "not tested"

Cell = str | int | float | bool | None
Row = TypeVar("Row", UnitRow, PointRow)

_FORMULA = re.compile(r'(^|;)(?=[\s"]*[=+\-@＝＋－＠])')
"""Where a spreadsheet may begin to read a formula; wide forms of the signs count in some of them."""

_NUMBER = re.compile(r"-?\d+(\.\d+)?", re.ASCII)

UNIT_COLUMNS: tuple[tuple[str, Callable[[UnitRow], Cell]], ...] = (
    ("No.", lambda u: u.number),
    ("Position on cable", lambda u: u.position),
    ("State", lambda u: u.state),
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
    ("Last seen UTC", lambda u: u.seen),
    ("Remarks", lambda u: " | ".join(u.remarks)),
)
"""Titles and contents of ``bus-list.csv``."""

POINT_COLUMNS: tuple[tuple[str, Callable[[PointRow], Cell]], ...] = (
    ("Address", lambda p: p.address),
    ("Address hex", lambda p: _hex(p.address, 2)),
    ("Line settings", lambda p: p.settings),
    ("Tag", lambda p: p.tag),
    ("Profile", lambda p: p.profile),
    ("Point", lambda p: p.name),
    ("Register", lambda p: p.register),
    ("Register hex", lambda p: _hex(p.register, 4)),
    ("Register in data sheet", lambda p: p.sheet_register),
    ("Data sheet numbering", lambda p: p.numbering),
    ("Function", lambda p: p.function),
    ("Registers", lambda p: p.count),
    ("Type", lambda p: p.type),
    ("Word order", lambda p: p.word_order),
    ("Unit", lambda p: p.unit),
    ("Scale", lambda p: p.scale),
    ("Offset", lambda p: p.offset),
    ("Plausible from", lambda p: p.plausible_min),
    ("Plausible to", lambda p: p.plausible_max),
    ("Raw hex", lambda p: " ".join(f"{register:04X}" for register in p.registers or ())),
    ("Value read", lambda p: NOT_TESTED if p.registers is None else p.value),
    ("Value as text", lambda p: p.text),
    ("Plausible", lambda p: _yes_no(p.plausible)),
)
"""Titles and contents of ``point-list.csv``."""


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents of both files."""
    return {
        "bus-list.csv": _table(UNIT_COLUMNS, bus_list.units),
        "point-list.csv": _table(POINT_COLUMNS, bus_list.points),
    }


def harmless(cell: Cell) -> Cell:
    """The cell as a spreadsheet may see it: no formula, no control codes; numbers as they are."""
    if not isinstance(cell, str):
        return cell
    # Backslashes stay single: text of units has had its control codes written out before.
    text = visible(cell).replace("\\\\", "\\")
    return text if _NUMBER.fullmatch(text) else _FORMULA.sub(r"\1'", text)


def _table(columns: Sequence[tuple[str, Callable[[Row], Cell]]], rows: Iterable[Row]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow([title for title, _ in columns])
    writer.writerows([harmless(content(row)) for _, content in columns] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def _hex(number: int, digits: int) -> str:
    return f"0x{number:0{digits}X}"


def _listed(values: Iterable[object]) -> str:
    return " ".join(str(value) for value in values)


def _yes_no(answer: bool | None) -> str | None:
    return None if answer is None else "yes" if answer else "no"


def _tested(unit: UnitRow, result: Cell) -> Cell:
    return NOT_TESTED if result is None and unit.state != "reserved" else result

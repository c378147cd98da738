"""The bus list as a workbook, ``bus-list.xlsx``: a sheet a table, ready to print and to send to a
client.

Numbers are numbers; every text is written as a text, so that none becomes a formula or a link,
whatever it looks like.
"""

from __future__ import annotations

import io
import math
import re
from datetime import datetime
from typing import TYPE_CHECKING

from busprobe.handover.bus_list import BusList
from busprobe.handover.table import Cell, Table, cell_text
from busprobe.handover.tables.papers import book_tables
from busprobe.handover.title_block import page_words
from busprobe.text import harmless

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

LONGEST_TEXT = 32_000
"""Characters of a cell; spreadsheets take 32767 (XlsxWriter documentation, `write_string`)."""

_WIDEST, _NARROWEST = 48, 6
"""Widths of a column in characters; longer texts wrap."""

_A4 = 9
"""Paper size A4 in XlsxWriter's `set_paper`."""

_LONGEST_HEADER = 80
"""Characters of a name in a page header; a header takes 255 in all, and each may double when
escaped."""

_SHEET_UNFIT = re.compile(r"[\[\]:*?/\\]")


def files(bus_list: BusList) -> dict[str, bytes]:
    """The file's name and content."""
    from xlsxwriter import Workbook  # not needed for a screen

    content = io.BytesIO()
    book = Workbook(
        content,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    )
    book.set_properties(
        {
            "title": harmless(f"Bus list {bus_list.segment.segment}".strip()),
            "author": harmless(bus_list.segment.tester),
            "comments": harmless(bus_list.segment.tool),
            "created": _moment(bus_list.segment.made),
        }
    )
    look = _Look(book)
    for table in book_tables(bus_list):
        _sheet(book.add_worksheet(_SHEET_UNFIT.sub(" ", table.title)[:31]), table, bus_list, look)
    book.close()
    return {"bus-list.xlsx": content.getvalue()}


class _Look:
    """The few formats in use."""

    def __init__(self, book: Workbook) -> None:
        self.title: Format = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bg_color": "#DDE3EA", "bottom": 1}
        )
        self.text: Format = book.add_format({"text_wrap": True, "valign": "top"})
        self.number: Format = book.add_format({"valign": "top", "align": "right"})


def _sheet(sheet: Worksheet, table: Table, bus_list: BusList, look: _Look) -> None:
    for place, title in enumerate(table.columns):
        sheet.write_string(0, place, title, look.title)
    for line, row in enumerate(table.rows, start=1):
        for place, cell in enumerate(row):
            _write(sheet, line, place, cell, look)
    for place in range(len(table.columns)):
        sheet.set_column(place, place, _width(table, place))
    sheet.freeze_panes(1, 0)
    if table.rows:
        sheet.autofilter(0, 0, len(table.rows), len(table.columns) - 1)
    sheet.set_landscape()
    sheet.set_paper(_A4)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.6)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    head, foot = page_words(bus_list)
    sheet.set_header(f"&L{_header(head)}&R{_header(table.title)}")
    sheet.set_footer(f"&L{_header(foot)}&RPage &P of &N")


def _write(sheet: Worksheet, line: int, place: int, cell: Cell, look: _Look) -> None:
    if isinstance(cell, int | float) and not isinstance(cell, bool) and math.isfinite(cell):
        sheet.write_number(line, place, cell, look.number)
        return
    text = cell_text(cell)
    if not text:
        sheet.write_blank(line, place, None, look.text)
    elif len(text) <= LONGEST_TEXT:
        sheet.write_string(line, place, text, look.text)
    else:
        sheet.write_string(line, place, f"{text[:LONGEST_TEXT]} … (cut)", look.text)


def _width(table: Table, place: int) -> int:
    longest = max((len(cell_text(row[place])) for row in table.rows), default=0)
    title = max(len(word) for word in table.columns[place].split())
    return min(_WIDEST, max(_NARROWEST, title + 3, longest + 2))


def _header(text: str) -> str:
    """A text in a page header, where ``&`` begins a command and a doubled one is the sign
    itself."""
    return harmless(text)[:_LONGEST_HEADER].replace("&", "&&")


def _moment(text: str) -> datetime:
    """When the list was made; the same list gives the same workbook."""
    return datetime.fromisoformat(text) if text else datetime(1980, 1, 1)  # noqa: DTZ001 - a workbook knows no zones

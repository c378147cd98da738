"""Every table of the bus list as CSV for spreadsheets: ``bus-list.csv``, ``point-list.csv``,
``segment.csv`` and so on.

Comma separated, CRLF, UTF-8 with a byte order mark: without the mark a spreadsheet on Windows takes
the file for its local encoding and breaks ° and ³ (RFC 4180 for the form; the mark is common
practice).  An empty cell says *not known*; what was to be tested and was not says so.

A spreadsheet takes text that begins with ``= + - @`` for a formula.  Such cells get a leading
apostrophe, also where the sign follows a semicolon, at which a spreadsheet with a decimal comma
splits cells; plain numbers stay numbers.  Control codes are written out.
"""

from __future__ import annotations

import csv
import io
import re

from busprobe.handover.bus_list import BusList
from busprobe.handover.table import Cell, Table
from busprobe.handover.tables.papers import whole_tables
from busprobe.text import harmless

_FORMULA = re.compile(r'(^|;)(?=[\s"]*[=+\-@＝＋－＠])')
"""Where a spreadsheet may begin to read a formula; wide forms of the signs count in some of them.
"""

_SPLIT_BEFORE_QUOTE = re.compile(r';(?="|$)')

_NUMBER = re.compile(r"-?\d+(\.\d+)?", re.ASCII)


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents of the files, one a table."""
    return {f"{table.name}.csv": csv_bytes(table) for table in whole_tables(bus_list)}


def csv_bytes(table: Table) -> bytes:
    """One table as the content of a file."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(table.columns)
    writer.writerows([safe_cell(cell) for cell in row] for row in table.rows)
    return text.getvalue().encode("utf-8-sig")


def safe_cell(cell: Cell) -> Cell:
    """The cell as a spreadsheet may see it: no formula, no control codes; numbers as they are."""
    if not isinstance(cell, str):
        return cell
    text = harmless(cell)
    # Where cells are split at semicolons, a quote right behind one would open a cell over several
    # lines; the closing quote of this cell too.
    text = _SPLIT_BEFORE_QUOTE.sub("; ", text)
    return text if _NUMBER.fullmatch(text) else _FORMULA.sub(r"\1'", text)


def cell_of_csv(cell: Cell) -> str:
    """The cell as it stands in a file, in quotes where it needs them; empty where it is not
    known."""
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="").writerow([safe_cell(cell)])
    return "" if text.getvalue() == '""' else text.getvalue()

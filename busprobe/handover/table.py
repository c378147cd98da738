"""A table of a paper: what it says, before any format writes it in its own way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busprobe.text import visible

Cell = str | int | float | bool | None
"""``None`` says *not known*."""

NOT_TESTED = "not tested"
NOT_NOTED = "not noted"


@dataclass(frozen=True)
class Table:
    """Titles and cells; each format adds the escaping it needs."""

    name: str
    """Plain name for files, ``point-list``."""
    title: str
    """Heading for people."""
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]

    def only(self, title: str, columns: Sequence[str]) -> Table:
        """The same rows with these columns, under another heading."""
        places = [self.columns.index(column) for column in columns]
        rows = tuple(tuple(row[place] for place in places) for row in self.rows)
        return replace(self, title=title, columns=tuple(columns), rows=rows)


def in_words(addresses: str) -> str:
    """A set of addresses as a table shows it: a spreadsheet takes 3-4 for a date and 1,247 for a
    number."""
    return addresses.replace("-", " to ").replace(",", ", ")


def plain(text: str) -> str:
    """Text without control, format or other codes that act, each written out.

    Backslashes stay single: text of units has had its control codes written out before.
    """
    return text if text.isprintable() else visible(text).replace("\\\\", "\\")


def cell_text(cell: Cell) -> str:
    """A cell as a person reads it; still to be escaped by the format."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return f"{cell:.0f}"
    return plain(str(cell))

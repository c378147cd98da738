"""A table of a paper: what it says, before any format writes it in its own way."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from busprobe.text import harmless

Cell = str | int | float | bool | None
"""``None`` says *not known*."""

NOT_TESTED = "not tested"
NOT_NOTED = "not noted"


@dataclass(frozen=True)
class PagePart:
    """Some columns of a wide table, as they fit on a page."""

    title: str
    """Heading of these columns."""
    first: tuple[str, ...] = ()
    """Titles of columns that come first there; the others follow in the order of the table."""


@dataclass(frozen=True)
class Column:
    """One column of a table of rows."""

    title: str
    content: Callable[[Any], Cell]
    """From a row to its cell."""
    parts: tuple[PagePart, ...] = ()
    """Where on a page it stands; a table that is too wide is divided there."""


_COLUMNS = "columns"


def column(
    title: str,
    *parts: PagePart,
    default: Any = MISSING,
    show: Callable[[Any], Cell] | None = None,
    more: tuple[Column, ...] = (),
) -> Any:
    """A field of a row that is a column of its table.

    `show` makes the cell of the row, otherwise it is the field's value; `more` are columns that say
    the same in another way, or that follow from the row.
    """
    given: dict[str, Any] = {} if default is MISSING else {"default": default}
    return field(metadata={_COLUMNS: (title, show, parts, more)}, **given)


def columns_of(row: type) -> tuple[Column, ...]:
    """The columns of a row's dataclass, in the order of its fields."""
    return tuple(_columns_of(row))


def _columns_of(row: type) -> Iterator[Column]:
    for each in fields(row):
        if _COLUMNS not in each.metadata:
            continue
        title, show, parts, more = each.metadata[_COLUMNS]
        if title:
            yield Column(title, show or _value_of(each.name), parts)
        yield from more


def _value_of(name: str) -> Callable[[Any], Cell]:
    def value(row: Any) -> Cell:
        cell: Cell = getattr(row, name)
        return cell

    return value


@dataclass(frozen=True)
class Table:
    """Titles and cells; each format adds the escaping it needs."""

    name: str
    """Plain name for files, ``point-list``."""
    title: str
    """Heading for people."""
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def table_of(
    name: str,
    title: str,
    columns: tuple[Column, ...],
    rows: Iterable[object],
    part: PagePart | None = None,
) -> Table:
    """A table of all `columns`, or of those on one part of a page."""
    shown = columns
    if part is not None:
        here = [each for each in shown if part in each.parts]
        first = {title: place for place, title in enumerate(part.first)}
        shown = tuple(sorted(here, key=lambda each: first.get(each.title, len(first))))
    cells = tuple(tuple(each.content(one) for each in shown) for one in rows)
    return Table(name, title if part is None else part.title, tuple(e.title for e in shown), cells)


def yes_no(answer: bool | None) -> str | None:
    """A yes or no in words; None where it is not known."""
    return None if answer is None else "yes" if answer else "no"


def noted(text: str | None) -> str:
    """What somebody noted, or that nobody did."""
    return text or NOT_NOTED


def in_hex(number: int, digits: int) -> str:
    """A number in hexadecimal with at least so many digits."""
    return f"0x{number:0{digits}X}"


def listed(values: Iterable[object]) -> str:
    """Several values in one cell."""
    return " ".join(str(value) for value in values)


def in_words(addresses: str) -> str:
    """A set of addresses as a table shows it: a spreadsheet takes 3-4 for a date and 1,247 for a
    number."""
    return addresses.replace("-", " to ").replace(",", ", ")


def cell_text(cell: Cell) -> str:
    """A cell as a person reads it; still to be escaped by the format."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return f"{cell:.0f}"
    return harmless(str(cell))

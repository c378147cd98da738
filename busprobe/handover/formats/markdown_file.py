r"""The bus list as Markdown, ``bus-list.md``: for wikis, tickets and whoever reads plain text.

Tables are those of GitHub Flavored Markdown (section 4.10), everything else is CommonMark.  Each
character of a text that could be markup has a backslash before it (CommonMark 0.31.2 section 2.4),
so that a text can be neither a heading, a link, an image nor HTML.  Sections from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from busprobe.handover.bus_list import BusList
from busprobe.handover.table import Table, cell_text
from busprobe.handover.tables.papers import page_tables
from busprobe.text import harmless

_MARKUP = re.compile(r"([\\`*_{}\[\]<>#|~&!@$^=]|(?<=[a-z]):(?=\S))", re.IGNORECASE)
_DOT = re.compile(r"\.(?=[^\W\d_])")
"""A dot before a letter, where some readers see the name of a site (GitHub Flavored Markdown
section 6.9)."""

_AT_START = re.compile(r"^(?:([-+])|(\d+)([.)])(?=\s|$))")
"""What begins a list or a rule at the start of a line."""


def files(bus_list: BusList) -> dict[str, bytes]:
    """The file's name and content."""
    return {"bus-list.md": "\n".join(_lines(bus_list)).encode()}


def escaped(text: str) -> str:
    """The text as a piece of one line that shows exactly what it says."""
    marked = _DOT.sub(r"\\.", _MARKUP.sub(r"\\\1", text.strip()))
    return _AT_START.sub(lambda start: f"{start[2] or ''}\\{start[1] or start[3]}", marked)


def _lines(bus_list: BusList) -> Iterator[str]:
    segment = bus_list.segment
    heading = " ".join(filter(None, ("Bus list", segment.site, segment.segment)))
    yield f"# {escaped(harmless(heading))}"
    yield ""
    for title, sentences, none in (
        ("Attention", bus_list.attention, "Nothing that was looked at needs attention."),
        ("Not tested", bus_list.not_tested, "Nothing was left out."),
    ):
        yield f"## {title}"
        yield ""
        yield from [f"- {escaped(harmless(words))}" for words in sentences] or [none]
        yield ""
    for table in page_tables(bus_list):
        yield from _table(table)


def _table(table: Table) -> Iterator[str]:
    yield f"## {table.title}"
    yield ""
    if table.rows:
        yield _row(table.columns)
        yield _row("---" for _ in table.columns)
        yield from (_row(escaped(cell_text(cell)) for cell in row) for row in table.rows)
    else:
        yield "None."
    yield ""


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"

"""What commands print: results on stdout, talk on stderr."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import click

from busprobe.errors import BusprobeError
from busprobe.text import visible

ERROR_FORMAT = "busprobe.error/1"
"""Format name of the document of a command that failed before it had one."""
_DOCUMENT = "busprobe.document"
"""Where the context of a command keeps that its document was printed."""


def say(text: str) -> None:
    """Tell the user something on stderr."""
    click.echo(text, err=True)


def document(content: Mapping[str, Any]) -> None:
    """Print the one JSON document of a command."""
    click.get_current_context().meta[_DOCUMENT] = True
    click.echo(json.dumps(content, indent=2, ensure_ascii=False))


def error_document(error: BusprobeError) -> None:
    """Print why a command has no document of its own, unless it has printed that."""
    if _DOCUMENT not in click.get_current_context().meta:
        content = {"what": error.what, "means": error.means, "todo": error.todo}
        document({"format": ERROR_FORMAT, **content, "exit_code": int(error.exit_code)})


def line(text: str) -> None:
    """Print one result line at once, for whoever follows along."""
    click.echo(text)


def lines(texts: Iterable[str]) -> None:
    """Print result lines."""
    for text in texts:
        click.echo(text)


def table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a result table; cells are shown as they are, never read as markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        shown.add_column(column, overflow="fold")
    for row in rows:
        shown.add_row(*(Text(visible_cell(cell)) for cell in row))
    Console(highlight=False, markup=False, emoji=False).print(shown)


def visible_cell(cell: object) -> str:
    """A cell as text; texts from units arrive made harmless, those of files and the system are made
    so here."""
    text = "" if cell is None else str(cell)
    return text if text.isprintable() else visible(text)

"""What commands print: results on stdout, talk on stderr.

Everything a command shows goes through here, and is made harmless here whatever its source: each
text is one line, and nothing in it acts on the terminal.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from busprobe.errors import BusprobeError
from busprobe.text import harmless

if TYPE_CHECKING:
    from rich.console import Console

ERROR_FORMAT = "busprobe.error/1"
"""Format name of the document of a command that failed before it had one."""
_DOCUMENT = "busprobe.document"
"""Where the context of a command keeps that its document was printed."""
_BEYOND_ASCII = re.compile(r"[^\x00-\x7e]")


def say(text: str) -> None:
    """Tell the user something on stderr."""
    click.echo(harmless(text), err=True)


def say_on(console: Console, text: str) -> None:
    """Tell the user something on a console that draws a progress bar below it."""
    console.print(harmless(text))


def document(content: Mapping[str, Any]) -> None:
    """Print the one JSON document of a command; what is not printable is written as JSON's own
    escapes."""
    click.get_current_context().meta[_DOCUMENT] = True
    click.echo(_BEYOND_ASCII.sub(_escaped, json.dumps(content, indent=2, ensure_ascii=False)))


def _escaped(match: re.Match[str]) -> str:
    return match[0] if match[0].isprintable() else json.dumps(match[0])[1:-1]


def error_document(error: BusprobeError) -> None:
    """Print why a command has no document of its own, unless it has printed that."""
    if _DOCUMENT not in click.get_current_context().meta:
        content = {"what": error.what, "means": error.means, "todo": error.todo}
        document({"format": ERROR_FORMAT, **content, "exit_code": int(error.exit_code)})


def line(text: str) -> None:
    """Print one result line at once, for whoever follows along."""
    click.echo(harmless(text))


def lines(texts: Iterable[str]) -> None:
    """Print result lines."""
    for text in texts:
        line(text)


def table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a result table; cells are shown as they are, never read as markup."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        shown.add_column(column, overflow="fold")
    for row in rows:
        shown.add_row(*(Text("" if cell is None else harmless(str(cell))) for cell in row))
    Console(highlight=False, markup=False, emoji=False).print(shown)

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

from busprobe.cli import ending
from busprobe.errors import BusprobeError, ErrorDocument
from busprobe.text import harmless

if TYPE_CHECKING:
    from rich.console import Console

_DOCUMENT = "busprobe.document"
"""Where the context of a command keeps that its document was printed."""
_BEYOND_ASCII = re.compile(r"[^\x00-\x7e]")


def say(text: str) -> None:
    """Tell the user something on stderr."""
    _write(harmless(text), err=True)


def say_on(console: Console, text: str) -> None:
    """Tell the user something on a console that draws a progress bar below it."""
    try:
        console.print(harmless(text))
    except OSError as error:
        ending.output_failed(error)


def agreed(question: str) -> bool:
    """Whether the answer is yes; the end of input, or Ctrl-C instead of an answer, is a no."""
    try:
        return click.confirm(harmless(question), default=False, err=True)
    except click.Abort:
        say("")  # the question is still on the line
        return False


def ring() -> None:
    """Ring the terminal's bell."""
    _write("\a", end="")


def document(content: Mapping[str, Any]) -> None:
    """Print the one JSON document of a command; what is not printable is written as JSON's own
    escapes."""
    click.get_current_context().meta[_DOCUMENT] = True
    _write(_BEYOND_ASCII.sub(_escaped, json.dumps(content, indent=2, ensure_ascii=False)))


def publish(document_: object) -> None:
    """Print a dataclass with a format name as the one JSON document of a command."""
    from busprobe.files.documents import to_document

    document(to_document(document_))


def _escaped(match: re.Match[str]) -> str:
    return match[0] if match[0].isprintable() else json.dumps(match[0])[1:-1]


def error_document(error: BusprobeError) -> None:
    """Print why a command has no document of its own, unless it has printed that."""
    if _DOCUMENT not in click.get_current_context().meta:
        code = ending.exit_code(error.exit_code)
        publish(ErrorDocument(what=error.what, means=error.means, todo=error.todo, exit_code=code))


def line(text: str) -> None:
    """Print one result line at once, for whoever follows along."""
    _write(harmless(text))


def lines(texts: Iterable[str]) -> None:
    """Print result lines."""
    for text in texts:
        line(text)


def table(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a result table; cells are shown as they are, never read as markup."""
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=None, pad_edge=False, header_style="bold")
    for column in columns:
        shown.add_column(column, overflow="fold")
    for row in rows:
        shown.add_row(*(Text("" if cell is None else harmless(str(cell))) for cell in row))
    try:
        console().print(shown)
    except OSError as error:
        ending.output_failed(error)


def console(*, stderr: bool = False) -> Console:
    """What draws tables and progress; nothing is read as markup."""
    from rich.console import Console

    class Strict(Console):
        def on_broken_pipe(self) -> None:
            raise  # noqa: PLE0704 - rich calls it in its except clause

    return Strict(stderr=stderr, highlight=False, markup=False, emoji=False)


def _write(text: str, *, end: str = "\n", err: bool = False) -> None:
    """Write a text that is harmless; raises `UsageError` where that cannot be done."""
    try:
        click.echo(f"{text}{end}", nl=False, err=err)
    except OSError as error:
        ending.output_failed(error)

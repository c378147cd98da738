"""``busprobe templates``: what a template or a record layout of one's own can say."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from busprobe.cli import output
from busprobe.errors import ExitCode
from busprobe.handover.custom.variables import OF_A_POINT, OF_A_REQUEST, OF_BOTH, OF_THE_BUS
from busprobe.handover.files import write_files

_FILTERS = {
    "hex(digits)": "a number in hexadecimal with at least so many digits: 0x0028",
    "cell": "a cell of a CSV file: in quotes where it needs them, and no formula",
    "markdown": "text in Markdown that shows just what it says",
    "tojson": "text, numbers and lists as JSON",
}
_PARTS = (
    ("Variables of a template", OF_THE_BUS),
    ("Each point and each request", OF_BOTH),
    ("Each point also", OF_A_POINT),
    ("Each request also", OF_A_REQUEST),
    ("Filters, beyond those of Jinja", _FILTERS),
)


def run(folder: Path | None) -> ExitCode:
    """Do what ``busprobe templates`` is asked for."""
    if folder is not None:
        shipped = resources.files("busprobe.handover.custom") / "examples"
        examples = {file.name: file.read_bytes() for file in shipped.iterdir() if file.is_file()}
        output.lines(map(str, write_files(folder, dict(sorted(examples.items())))))
        return ExitCode.DONE
    for title, names in _PARTS:
        output.line(title)
        output.lines(f"  {name:<16} {words}" for name, words in names.items())
        output.line("")
    return ExitCode.DONE

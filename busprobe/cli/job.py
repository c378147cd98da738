"""``busprobe job``: job files themselves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import click

from busprobe.cli import options, output
from busprobe.errors import ExitCode, Mistake, shown_mistakes
from busprobe.job.rescue import rescue as save
from busprobe.profiles.store import folders, load_all
from busprobe.session.readable import check_readable


@dataclass(frozen=True, kw_only=True)
class RescueDocument:
    """What ``busprobe job rescue --json`` prints."""

    format: Literal["busprobe.rescue/1"] = "busprobe.rescue/1"
    file: str
    into: str
    entries: Mapping[str, int]
    """How many entries of each table are in the new file."""
    lost: tuple[Mistake, ...]


@click.command("rescue")
@click.argument("file", type=options.FILE)
@click.option(
    "--into",
    type=options.FILE,
    help="New job file; if left out, beside FILE with '-rescued' in its name.",
)
@options.as_json
def rescue(file: Path, into: Path | None, as_json: bool) -> ExitCode:
    """Copy all that can be read of a damaged job file into a new one, and list the rest.

    The damaged file is not touched.

    \b
    Example:
      busprobe job rescue plant.busjob
    """
    into = into or file.with_name(f"{file.stem}-rescued{file.suffix}")
    profiles = load_all(folders(file)).profiles
    done = save(file, into, lambda job: check_readable(job, profiles))
    if as_json:
        output.publish(
            RescueDocument(file=str(file), into=str(into), entries=done.entries, lost=done.lost)
        )
    else:
        output.table(("Kept in", "Entries"), done.entries.items())
        output.lines(f"Lost: {words}" for words in shown_mistakes(done.lost))
        output.line(f"The new job file is {into}.")
    return ExitCode.ATTENTION if done.lost else ExitCode.DONE


COMMANDS = (rescue,)

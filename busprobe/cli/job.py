"""``busprobe job``: job files themselves."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.errors import ExitCode, shown_mistakes
from busprobe.job.rescue import rescue as save
from busprobe.profiles.store import folders, load_all
from busprobe.session.readable import check_readable

FORMAT = "busprobe.rescue/1"
"""Format name of the document."""


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
        output.document(
            {
                "format": FORMAT,
                "file": str(file),
                "into": str(into),
                "entries": dict(done.entries),
                "lost": [asdict(mistake) for mistake in done.lost],
            }
        )
    else:
        output.table(("Kept in", "Entries"), done.entries.items())
        output.lines(f"Lost: {words}" for words in shown_mistakes(done.lost))
        output.line(f"The new job file is {into}.")
    return ExitCode.ATTENTION if done.lost else ExitCode.DONE


COMMANDS = (rescue,)

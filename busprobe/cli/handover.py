"""``busprobe handover``: what exactly is installed, as files people can use."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.errors import ExitCode
from busprobe.handover.assemble import assemble
from busprobe.handover.files import EXPORTERS, write
from busprobe.job.job import Job
from busprobe.profiles.store import load_all


@click.command()
@options.job(required=True, text="Job file.")
@click.option("--out", "folder", type=options.FOLDER, required=True, help="Folder for the files; made if missing.")
@click.option(
    "--format",
    "formats",
    type=click.Choice(sorted(EXPORTERS)),
    multiple=True,
    help="Format, may be repeated; all if left out.",
)
@click.option("--overwrite", is_flag=True, help="Replace files of the same names.")
@options.as_json
def command(job_file: Path, folder: Path, formats: tuple[str, ...], overwrite: bool, as_json: bool) -> ExitCode:
    """Write the as-built bus list and the point list.

    \b
    Example:
      busprobe handover --job plant.busjob --out handover --format csv
    """
    with Job.open(job_file) as job:
        bus_list = assemble(job, load_all().profiles)
    written = write(bus_list, folder, formats or sorted(EXPORTERS), overwrite=overwrite)
    if as_json:
        files = [str(path) for path in written]
        caveats = {"attention": list(bus_list.attention), "not_tested": list(bus_list.not_tested)}
        output.document({"format": "busprobe.handover/1", "files": files, **caveats})
    else:
        output.lines(str(path) for path in written)
        for words in bus_list.attention:
            output.say(f"Attention: {words}")
        for words in bus_list.not_tested:
            output.say(f"Not tested: {words}")
    return ExitCode.ATTENTION if bus_list.attention else ExitCode.DONE

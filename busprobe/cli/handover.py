"""``busprobe handover``: what exactly is installed, as files people can use."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import stored_profiles
from busprobe.errors import ExitCode, RefusedError
from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS, left_over, write
from busprobe.handover.missing import missing
from busprobe.job.job import Job
from busprobe.session.session import Session


@click.command()
@options.job(required=True, text="Job file.")
@click.option(
    "--out",
    "folder",
    type=options.FOLDER,
    required=True,
    help="Folder for the files; made if missing.",
)
@click.option(
    "--format",
    "formats",
    type=click.Choice(sorted(EXPORTERS)),
    multiple=True,
    help="Format, may be repeated; all if left out.",
)
@click.option(
    "--compare-with",
    "earlier",
    type=options.FILE,
    help="Job file of an earlier visit: the papers say what is not as it was. Kept in the job.",
)
@click.option("--no-compare", is_flag=True, help="Compare with no earlier visit any more.")
@click.option(
    "--circuits",
    type=options.FILE,
    help=(
        "What meters measure, filled in in circuits.csv of earlier papers: noted in the job first."
    ),
)
@click.option("--overwrite", is_flag=True, help="Replace files of the same names.")
@options.as_json
def command(
    job_file: Path,
    folder: Path,
    formats: tuple[str, ...],
    earlier: Path | None,
    no_compare: bool,
    circuits: Path | None,
    overwrite: bool,
    as_json: bool,
) -> ExitCode:
    """Write the papers: bus list, points, journal, proof, labels, polling table, a description of
    each unit.

    \b
    csv       a file a table; a spreadsheet that opens it may turn 007 into 7
    html      one page to read and print, with drawings
    json      everything, for programs
    labels    for units and cable ends, on A4 sheets
    markdown  for wikis and tickets
    polling   the cheapest requests for a master
    things    W3C Thing Descriptions, a file a unit
    xlsx      a workbook; it keeps 007 and 2.10 as they are

    \b
    Example:
      busprobe handover --job plant.busjob --out handover --format csv
    """
    with Job.open(job_file) as job:
        session = Session(job, stored_profiles(job_file))
        if circuits is not None:
            noted = session.note_circuits(circuits)
            taken = f"{noted} channel{'' if noted == 1 else 's'} of meters taken"
            output.say(f"{taken} from {output.visible_cell(circuits)}.")
        bus_list = session.compare_with(earlier) if earlier or no_compare else session.papers()
    try:
        written = write(bus_list, folder, formats or sorted(EXPORTERS), overwrite=overwrite)
    except RefusedError as error:
        todo = "Choose another folder, or replace them with --overwrite."
        raise RefusedError(error.what, means=error.means, todo=todo) from error
    old = left_over(folder, written) if "things" in (formats or EXPORTERS) else []
    if as_json:
        output.document(_document(bus_list, written, old))
    else:
        output.lines(str(path) for path in written)
        for path in old:
            output.say(
                "Left by an earlier hand over, and no unit on the list now:"
                f" {output.visible_cell(path)}"
            )
        for words in bus_list.attention:
            output.say(f"Attention: {words}")
        for words in bus_list.not_tested:
            output.say(f"Not tested: {words}")
        for gap in missing(bus_list):
            output.say(f"Gap: {gap.what}")
    return ExitCode.ATTENTION if bus_list.attention else ExitCode.DONE


def _document(bus_list: BusList, written: list[Path], old: list[Path]) -> dict[str, object]:
    return {
        "format": "busprobe.handover/1",
        "files": [str(path) for path in written],
        "left_over": [str(path) for path in old],
        "attention": list(bus_list.attention),
        "not_tested": list(bus_list.not_tested),
        "missing": [gap.what for gap in missing(bus_list)],
    }

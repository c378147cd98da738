"""``busprobe handover``: what exactly is installed, as files people can use."""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output
from busprobe.cli.sessions import existing_job, stored_profiles
from busprobe.errors import ExitCode, RefusedError
from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS, left_over, write
from busprobe.handover.missing import missing
from busprobe.session.session import Session


def run(
    job_file: Path,
    folder: Path,
    formats: tuple[str, ...],
    earlier: Path | None,
    no_compare: bool,
    circuits: Path | None,
    overwrite: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe handover`` is asked for."""
    with existing_job(job_file) as job:
        session = Session(job, stored_profiles(job_file))
        if circuits is not None:
            noted = session.note_circuits(circuits)
            taken = f"{noted} channel{'' if noted == 1 else 's'} of meters taken"
            output.say(f"{taken} from {circuits}.")
        bus_list = session.compare_with(earlier) if earlier or no_compare else session.papers()
    try:
        wanted = formats or sorted(EXPORTERS)
        written = write(bus_list, folder, wanted, overwrite=overwrite, job_file=job_file)
    except RefusedError as error:
        todo = "Choose another folder, or replace them with --overwrite."
        raise RefusedError(error.what, means=error.means, todo=todo) from error
    old = left_over(folder, written) if "things" in (formats or EXPORTERS) else []
    if as_json:
        output.document(_document(bus_list, written, old))
    else:
        output.lines(str(path) for path in written)
        for path in old:
            output.say(f"Left by an earlier hand over, and no unit on the list now: {path}")
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

"""``busprobe handover``: what exactly is installed, as files people can use."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.sessions import existing_job, stored_profiles
from busprobe.errors import ExitCode, RefusedError
from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS, left_over, write
from busprobe.handover.missing import missing
from busprobe.session.session import Session


@dataclass(frozen=True, kw_only=True)
class HandoverDocument:
    """What ``busprobe handover --json`` prints."""

    format: Literal["busprobe.handover/1"] = "busprobe.handover/1"
    files: tuple[str, ...]
    left_over: tuple[str, ...]
    """Files of an earlier hand over about units that are not on the list now."""
    attention: tuple[str, ...]
    not_tested: tuple[str, ...]
    missing: tuple[str, ...]


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
        output.publish(_document(bus_list, written, old))
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


def _document(bus_list: BusList, written: list[Path], old: list[Path]) -> HandoverDocument:
    return HandoverDocument(
        files=tuple(map(str, written)),
        left_over=tuple(map(str, old)),
        attention=tuple(bus_list.attention),
        not_tested=tuple(bus_list.not_tested),
        missing=tuple(gap.what for gap in missing(bus_list)),
    )

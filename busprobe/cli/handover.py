"""``busprobe handover``: what exactly is installed, as files people can use."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.sessions import existing_job, stored_profiles
from busprobe.errors import ExitCode, RefusedError, UsageError
from busprobe.handover.bus_list import BusList
from busprobe.handover.custom.records import RecordFile, record_file
from busprobe.handover.custom.template import name_of, render
from busprobe.handover.custom.variables import variables
from busprobe.handover.files import EXPORTERS, left_over, write
from busprobe.handover.missing import missing
from busprobe.handover.revisions import keep_revisions
from busprobe.session.session import Session
from busprobe.text import hex_bytes


@dataclass(frozen=True, kw_only=True)
class WrittenRecord:
    """A record in the copy of a file."""

    offset: int
    """Byte of the file at which it begins."""
    bytes: str
    """In hex."""
    what: str


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
    records: tuple[WrittenRecord, ...] = ()
    """What was written into the copy of a file; empty without a layout."""


def run(
    job_file: Path,
    folder: Path,
    formats: tuple[str, ...],
    earlier: Path | None,
    no_compare: bool,
    circuits: Path | None,
    templates: tuple[Path, ...],
    layout: Path | None,
    into: Path | None,
    overwrite: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe handover`` is asked for."""
    if (layout is None) != (into is None):
        raise UsageError(
            "Records need a layout and a file.", todo="Give both --records and --into, or none."
        )
    with existing_job(job_file) as job:
        session = Session(job, stored_profiles(job_file))
        if circuits is not None:
            noted = session.note_circuits(circuits)
            taken = f"{noted} channel{'' if noted == 1 else 's'} of meters taken"
            output.say(f"{taken} from {circuits}.")
        if earlier or no_compare:
            session.compare_with(earlier)
        bus_list = session.papers()
        own, records = _own(bus_list, folder, templates, layout, into)
        wanted = formats or (() if own else tuple(sorted(EXPORTERS)))
        try:
            written = write(
                bus_list, folder, wanted, more=own, overwrite=overwrite, job_file=job_file
            )
        except RefusedError as error:
            todo = "Choose another folder, or replace them with --overwrite."
            raise RefusedError(error.what, means=error.means, todo=todo) from error
        keep_revisions(bus_list, job)
    if records is not None:
        records.check(written[-1])
    old = left_over(folder, written) if "things" in wanted else []
    if as_json:
        output.publish(_document(bus_list, written, old, records))
    else:
        output.lines(str(path) for path in written)
        if records is not None:
            _print_records(records, written[-1])
        for path in old:
            output.say(f"Left by an earlier hand over, and no unit on the list now: {path}")
        for words in bus_list.attention:
            output.say(f"Attention: {words}")
        for words in bus_list.not_tested:
            output.say(f"Not tested: {words}")
        for gap in missing(bus_list):
            output.say(f"Gap: {gap.what}")
    return ExitCode.ATTENTION if bus_list.attention else ExitCode.DONE


def _own(
    bus_list: BusList,
    folder: Path,
    templates: tuple[Path, ...],
    layout: Path | None,
    into: Path | None,
) -> tuple[dict[str, bytes], RecordFile | None]:
    """The files of templates and, last, the copy with records; raises `RefusedError` where one
    would take the place of the file that it is made from."""
    if not templates and layout is None:
        return {}, None
    said = variables(bus_list)
    own: dict[str, bytes] = {}
    for source in templates:
        name = name_of(source)
        if name in own:
            raise UsageError(
                f"Two templates make a file {name}.", todo="Rename one, or render them one by one."
            )
        _refuse_itself(folder / name, source)
        own[name] = render(source, said)
    if layout is None or into is None:
        return own, None
    records = record_file(layout, into, said)
    _refuse_itself(folder / into.name, into)
    if into.name in own:
        raise UsageError(f"A template makes a file {into.name}, too.", todo="Rename the template.")
    return {**own, into.name: records.content}, records


def _refuse_itself(target: Path, source: Path) -> None:
    if target.exists() and source.exists() and target.samefile(source):
        raise RefusedError(
            f"{target} would take the place of the file that it is made from.",
            means="Nothing was written.",
            todo="Choose another folder.",
        )


def _print_records(records: RecordFile, copy: Path) -> None:
    for patch in records.patches:
        output.lines(patch.dump)
    output.line(f"{copy} was read back: the records are as shown, and nothing else differs.")


def _document(
    bus_list: BusList, written: list[Path], old: list[Path], records: RecordFile | None
) -> HandoverDocument:
    patches = () if records is None else records.patches
    return HandoverDocument(
        files=tuple(map(str, written)),
        left_over=tuple(map(str, old)),
        attention=tuple(bus_list.attention),
        not_tested=tuple(bus_list.not_tested),
        missing=tuple(gap.what for gap in missing(bus_list)),
        records=tuple(
            WrittenRecord(offset=one.offset, bytes=hex_bytes(one.data), what=one.what)
            for one in patches
        ),
    )

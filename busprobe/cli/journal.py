"""``busprobe journal``: every write that was ever made, and what became of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.sessions import existing_job
from busprobe.errors import ExitCode
from busprobe.handover.bus_list import JournalRow
from busprobe.handover.rows import journal_row
from busprobe.readdress.words import RESULT_WORDS


@dataclass(frozen=True, kw_only=True)
class JournalDocument:
    """What ``busprobe journal --json`` prints."""

    format: Literal["busprobe.journal/1"] = "busprobe.journal/1"
    writes: tuple[JournalRow, ...]


def run(job_file: Path, as_json: bool) -> ExitCode:
    """Do what ``busprobe journal`` is asked for."""
    with existing_job(job_file) as job:
        units = job.units()
        rows = [journal_row(write, units) for write in job.writes()]
    if as_json:
        output.publish(JournalDocument(writes=tuple(rows)))
    elif rows:
        for row in rows:
            output.lines(_words(row))
    else:
        output.line("Nothing was ever written in this job.")
    return ExitCode.ATTENTION if any(row.outcome is None for row in rows) else ExitCode.DONE


def _words(row: JournalRow) -> Iterator[str]:
    by = f" by {row.tester}" if row.tester else ""
    yield (
        f"{row.number}. {row.intended}{by}: {row.kind}, at {row.settings}:"
        f" {'not known' if row.outcome is None else RESULT_WORDS[row.outcome]}"
    )
    yield f"   {row.words}"
    yield f"   Frame: {row.request}"
    for entry in row.conclusions:
        yield f"   {entry.made} {RESULT_WORDS[entry.outcome]}; reply: {entry.reply or 'none'}"
        yield f"   {entry.why}"
    if row.outcome is None:
        yield "   Its outcome is not recorded; the next command that writes checks it first."

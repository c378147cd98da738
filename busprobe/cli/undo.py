"""``busprobe undo``: take back a move in the journal, by the reverse move with the same guards."""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output, writes
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode
from busprobe.job.job import Job
from busprobe.session.moves import BusMoves


def run(
    port: str, job_file: Path, number: int, profile_id: str | None, yes: bool, as_json: bool
) -> ExitCode:
    """Do what ``busprobe undo`` is asked for."""
    with Job.open(job_file):
        pass  # a journal that is not there is told before a port is opened
    with session_on(port, job_file) as session:
        moves = BusMoves(session)
        writes.recover(moves)
        profile = writes.named_profile(session, profile_id) if profile_id is not None else None
        prepared = moves.prepare_undo(number, profile, report=output.say)
        outcome = moves.move(prepared, writes.confirmation(yes), report=output.say)
    writes.show(outcome, as_json=as_json)
    writes.check_later([outcome], port, job_file)
    return writes.EXIT[outcome.result]

"""``busprobe undo``: take back a move in the journal, by the reverse move with the same guards."""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output, writes
from busprobe.cli.sessions import named_profile, session_on_existing
from busprobe.errors import ExitCode, RefusedError
from busprobe.readdress.journal import move_of
from busprobe.readdress.outcome import refusal
from busprobe.session.moves import BusMoves


def run(
    port: str, job_file: Path, number: int, profile_id: str | None, yes: bool, as_json: bool
) -> ExitCode:
    """Do what ``busprobe undo`` is asked for."""
    with session_on_existing(port, job_file) as session:
        moves = BusMoves(session)
        writes.recover(moves)
        profile = named_profile(session.store, profile_id) if profile_id is not None else None
        try:
            prepared = moves.prepare_undo(number, profile, report=output.say)
        except RefusedError as error:
            made = next(move_of(write) for write in session.job.writes() if write.id == number)
            outcome = refusal(made.reversed(), error)
        else:
            outcome = moves.move(prepared, writes.confirmation(session, yes), report=output.say)
    writes.show(outcome, as_json=as_json)
    writes.say_later([outcome], port, job_file)
    return writes.exit_code([outcome])

"""``busprobe undo``: take back a move in the journal, by the reverse move with the same guards."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output, writes
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode
from busprobe.job.job import Job
from busprobe.session.moves import BusMoves


@click.command()
@options.port
@options.job(required=True, text="Job file with the journal.")
@click.option(
    "--write",
    "number",
    type=click.IntRange(1),
    required=True,
    help="Number of the write in the journal.",
)
@click.option(
    "--profile",
    "profile_id",
    metavar="ID",
    help="Profile that says how it is done; else that of the list.",
)
@click.option("--yes", is_flag=True, help="Do not ask; the frame is shown all the same.")
@options.as_json
def command(
    port: str, job_file: Path, number: int, profile_id: str | None, yes: bool, as_json: bool
) -> ExitCode:
    """Move a unit back to where it was before a write, with the same guards as any move.

    \b
    Example:
      busprobe undo --port /dev/ttyUSB0 --job plant.busjob --write 3
    """
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

"""``busprobe readdress``: give one unit another address, guarded and verified."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output, writes
from busprobe.cli.sessions import default_job_file, session_on
from busprobe.errors import ExitCode, RefusedError, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.move import Move, Procedure
from busprobe.readdress.outcome import refusal
from busprobe.session.moves import BusMoves


@click.command()
@options.port
@options.settings
@click.option("--from", "old", type=options.ADDRESS, required=True, help="Address the unit has.")
@click.option("--to", "new", type=options.ADDRESS, required=True, help="Address it is to have.")
@click.option(
    "--profile",
    "profile_id",
    metavar="ID",
    help="Profile that says how it is done; else it is identified.",
)
@click.option(
    "--register", type=str, metavar="R", help="Register by hand, zero-based: 257 or 0x0101."
)
@click.option(
    "--function",
    type=click.Choice(["6", "16"]),
    help="Function code for --register; 16 if left out.",
)
@click.option("--yes", is_flag=True, help="Do not ask; the frame is shown all the same.")
@options.job(required=False, text="Job file with the journal; today's job if left out.")
@options.as_json
def command(
    port: str,
    settings: LineSettings,
    old: int,
    new: int,
    profile_id: str | None,
    register: str | None,
    function: str | None,
    yes: bool,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Move one unit to another address: guards first, the exact frame shown, one write, then
    verified.

    \b
    Example:
      busprobe readdress --port /dev/ttyUSB0 --settings 9600-8N1 --from 1 --to 11 --profile
      aldermoor-at-10
    """
    by_hand = _by_hand(register, function, profile_id)
    job_file = job_file or default_job_file()
    with session_on(port, job_file, settings) as session:
        moves = BusMoves(session)
        writes.recover(moves)
        procedure = by_hand or Procedure.from_profile(
            writes.profile(session, profile_id, old, settings)
        )
        try:
            prepared = moves.prepare_move(settings, old, new, procedure, report=output.say)
        except RefusedError as error:
            outcome = refusal(Move(settings, old, new, procedure), error)
        else:
            outcome = moves.move(prepared, writes.confirmation(yes), report=output.say)
    writes.show(outcome, as_json=as_json)
    writes.check_later([outcome], port, job_file)
    output.say(f"The journal is in {job_file}.")
    return writes.EXIT[outcome.result]


def _by_hand(
    register: str | None, function: str | None, profile_id: str | None
) -> Procedure | None:
    if register is None:
        if function is not None:
            raise UsageError(
                "--function goes with --register.", todo="A profile knows its own function code."
            )
        return None
    if profile_id is not None:
        raise UsageError("--profile and --register exclude each other.", todo="Give one of them.")
    try:
        number = int(register, 0)
    except ValueError:
        raise UsageError(
            f"'{register}' is not a register.",
            todo="Give its zero-based address, like 257 or 0x0101.",
        ) from None
    return Procedure.by_hand(number, int(function or Function.WRITE_MULTIPLE_REGISTERS))

"""``busprobe readdress``: give one unit another address, guarded and verified."""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output, writes
from busprobe.cli.job_files import default_job_file
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode, RefusedError, UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.guards import RegisterDiffersError
from busprobe.readdress.outcome import refusal
from busprobe.readdress.procedure import Move, Procedure
from busprobe.session.moves import BusMoves


def run(
    port: str,
    settings: LineSettings,
    old: int,
    new: int,
    profile_id: str | None,
    register: str | None,
    function: str | None,
    overwrites: int | None,
    yes: bool,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe readdress`` is asked for."""
    source = Place(old, settings)
    by_hand = _by_hand(register, function, profile_id)
    job_file = job_file or default_job_file(port)
    with session_on(port, job_file, settings) as session:
        moves = BusMoves(session)
        writes.recover(moves)
        procedure = by_hand or Procedure.from_profile(
            writes.profile(session, profile_id, old, settings)
        )
        try:
            prepared = moves.prepare_move(
                source, new, procedure, report=output.say, overwrites=overwrites
            )
        except RefusedError as error:
            if isinstance(error, RegisterDiffersError):
                output.say(
                    "To overwrite what it holds, whatever that is: --although-register-holds"
                    f" {error.holds}"
                )
            outcome = refusal(Move(source, Place(new, settings), procedure), error)
        else:
            outcome = moves.move(prepared, writes.confirmation(session, yes), report=output.say)
    writes.show(outcome, as_json=as_json)
    writes.say_later([outcome], port, job_file)
    output.say(f"The journal is in {job_file}.")
    return writes.exit_code([outcome])


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

"""``busprobe readdress``: give one unit another address, guarded and verified."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import default_job_file, session_on
from busprobe.errors import ExitCode, RefusedError, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function
from busprobe.readdress.move import Move, Prepared, Procedure, Result
from busprobe.readdress.outcome import Outcome, refusal
from busprobe.session import Session
from busprobe.text import hex_bytes

_EXIT = {
    Result.VERIFIED: ExitCode.DONE,
    Result.WAITING: ExitCode.ATTENTION,
    Result.NOT_VERIFIED: ExitCode.NOT_VERIFIED,
    Result.REFUSED: ExitCode.REFUSED,
}


@click.command()
@options.port
@options.settings
@click.option("--from", "old", type=options.ADDRESS, required=True, help="Address the unit has.")
@click.option("--to", "new", type=options.ADDRESS, required=True, help="Address it is to have.")
@click.option("--profile", "profile_id", metavar="ID", help="Profile that says how it is done; else it is identified.")
@click.option("--register", type=str, metavar="R", help="Register by hand, zero-based: 257 or 0x0101.")
@click.option("--function", type=click.Choice(["6", "16"]), help="Function code for --register; 16 if left out.")
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
    """Move one unit to another address: guards first, the exact frame shown, one write, then verified.

    \b
    Example:
      busprobe readdress --port /dev/ttyUSB0 --settings 9600-8N1 --from 1 --to 11 --profile aldermoor-at-10
    """
    by_hand = _by_hand(register, function, profile_id)
    job_file = job_file or default_job_file()
    with session_on(port, job_file, settings) as session:
        unfinished = session.recover(report=output.say)
        for earlier in unfinished:
            output.say(
                f"An earlier move from {earlier.move.old} to {earlier.move.new}: {earlier.result}. {earlier.why}"
            )
        procedure = by_hand or _procedure(session, profile_id, old, settings)
        try:
            prepared = session.prepare_move(settings, old, new, procedure, report=output.say)
        except RefusedError as error:
            outcome = refusal(Move(settings, old, new, procedure), error)
        else:
            outcome = session.move(prepared, lambda ready: _confirmed(ready, yes), report=output.say)
    if as_json:
        output.document(outcome.document())
    else:
        _print(outcome)
    output.say(f"The journal is in {job_file}.")
    return _EXIT[outcome.result]


def _by_hand(register: str | None, function: str | None, profile_id: str | None) -> Procedure | None:
    if register is None:
        if function is not None:
            raise UsageError("--function goes with --register.", todo="A profile knows its own function code.")
        return None
    if profile_id is not None:
        raise UsageError("--profile and --register exclude each other.", todo="Give one of them.")
    try:
        number = int(register, 0)
    except ValueError:
        raise UsageError(
            f"'{register}' is not a register.", todo="Give its zero-based address, like 257 or 0x0101."
        ) from None
    return Procedure.by_hand(number, int(function or Function.WRITE_MULTIPLE_REGISTERS))


def _procedure(session: Session, profile_id: str | None, old: int, settings: LineSettings) -> Procedure:
    if profile_id is not None:
        profile = session.store.profiles.get(profile_id)
        if profile is None:
            raise UsageError(f"There is no profile '{profile_id}'.", todo="'busprobe profiles list' names them all.")
        return Procedure.from_profile(profile)
    output.say(f"Asking the unit at {old} what it is.")
    profile = session.identify(old, settings).profile
    if profile is None:
        raise UsageError(
            f"The unit at address {old} is not recognised, so it is not known how it takes a new address.",
            todo="Name its profile with --profile, or the register from its data sheet with --register.",
        )
    return Procedure.from_profile(profile)


def _confirmed(prepared: Prepared, yes: bool) -> bool:
    for step in prepared.steps:
        output.say(step.request.words)
        output.say(f"Bytes: {hex_bytes(step.request.frame)}")
    output.say(prepared.expectation)
    for warning in prepared.warnings:
        output.say(f"Mind: {warning}")
    output.say(prepared.rescue)
    return yes or click.confirm("Send this write?", default=False, err=True)


def _print(outcome: Outcome) -> None:
    output.lines([f"{outcome.result}: {outcome.why}"])
    if outcome.todo:
        output.lines([f"Next: {outcome.todo}"])

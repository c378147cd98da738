"""``busprobe line-settings``: give one unit, or all of them, another baud rate or format."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, writes
from busprobe.cli.sessions import default_job_file, session_on
from busprobe.errors import ExitCode, UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.readdress.bus_plan import BusPlan
from busprobe.readdress.line_settings import change_of_settings, path
from busprobe.session.moves import BusMoves

FORMAT = "busprobe.line-settings/1"
"""Format name of the document."""


@click.command()
@options.port
@click.option(
    "--settings", type=options.SETTINGS, help="Line settings the unit has, such as 9600-8N1."
)
@click.option("--address", type=options.ADDRESS, help="Its unit address.")
@click.option(
    "--all",
    "whole_bus",
    is_flag=True,
    help="All single units on the job's list instead, one by one.",
)
@click.option(
    "--to", "wanted", type=options.SETTINGS, required=True, help="Line settings it is to have."
)
@click.option(
    "--profile",
    "profile_id",
    metavar="ID",
    help="Profile that has the codes; else the unit is identified.",
)
@click.option("--yes", is_flag=True, help="Do not ask; every frame is shown all the same.")
@click.option(
    "--no-check", is_flag=True, help="Do not ask for the power cycle that proves what is stored."
)
@options.job(required=False, text="Job file with list and journal; today's job if left out.")
@options.as_json
def command(
    port: str,
    settings: LineSettings | None,
    address: int | None,
    whole_bus: bool,
    wanted: LineSettings,
    profile_id: str | None,
    yes: bool,
    no_check: bool,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Give a unit another baud rate or format by the codes of its profile; both are changed one
    after the other.

    Do this last, when every unit has an address of its own.  The unit is looked for at the old and
    at the new settings.

    \b
    Example:
      busprobe line-settings --port /dev/ttyUSB0 --settings 9600-8N1 --address 11 --to 19200-8E1
      busprobe line-settings --port /dev/ttyUSB0 --all --job plant.busjob --to 19200-8E1
    """
    here = _place(settings, address, whole_bus, profile_id)
    job_file = job_file or default_job_file()
    with session_on(port, job_file, settings) as session:
        moves = BusMoves(session)
        writes.recover(moves)
        if here is None:
            plan = moves.plan_line_settings(wanted)
        else:
            plan = _one_unit(
                writes.profile(session, profile_id, here.address, here.settings), here, wanted
            )
        writes.show_plan(plan)
        finished = writes.carry_out(moves, session, plan, yes=yes, check=not no_check)
    return writes.tell_batch(FORMAT, plan, finished, port, job_file, as_json=as_json)


def _place(
    settings: LineSettings | None, address: int | None, whole_bus: bool, profile_id: str | None
) -> Place | None:
    """Where the one unit is; None for the whole bus."""
    if whole_bus:
        if settings is not None or address is not None or profile_id is not None:
            raise UsageError(
                "--all goes without --settings, --address and --profile.",
                todo="The job's list says where units are.",
            )
        return None
    if settings is None or address is None:
        raise UsageError(
            "It is not said which unit.", todo="Give --settings and --address, or --all."
        )
    return Place(address, settings)


def _one_unit(profile: Profile, place: Place, wanted: LineSettings) -> BusPlan:
    if place.settings == wanted:
        raise UsageError(f"The unit is to keep {wanted}.", todo="Nothing has to be written; go on.")
    moves = []
    for settings in path(place.settings, wanted):
        moves.append(change_of_settings(profile, place, settings))
        place = moves[-1].target
    words = tuple(f"{move.name(move.source)} to {move.target.settings}." for move in moves)
    return BusPlan(tuple(moves), words, ())

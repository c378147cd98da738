"""``busprobe line-settings``: give one unit, or all of them, another baud rate or format."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import writes
from busprobe.cli.job_files import default_job_file
from busprobe.cli.sessions import session_on, session_on_existing
from busprobe.errors import ExitCode, UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.readdress.line_settings import change_of_settings, path
from busprobe.readdress.move_list import MoveList
from busprobe.session.moves import BusMoves


@dataclass(frozen=True, kw_only=True)
class LineSettingsDocument(writes.BatchDocument):
    """What ``busprobe line-settings --json`` prints."""

    format: Literal["busprobe.line-settings/1"] = "busprobe.line-settings/1"


def run(
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
    """Do what ``busprobe line-settings`` is asked for."""
    here = _place(settings, address, whole_bus, profile_id)
    if job_file is None and here is not None:
        job_file = default_job_file(port)
        on = session_on(port, job_file)
    else:  # a list that is not there names no unit, and a mistyped job none of the moves it has
        job_file = job_file or default_job_file(port)
        on = session_on_existing(port, job_file)
    with on as session:
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
    return writes.tell_batch(LineSettingsDocument, plan, finished, port, job_file, as_json=as_json)


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


def _one_unit(profile: Profile, place: Place, wanted: LineSettings) -> MoveList:
    if place.settings == wanted:
        raise UsageError(f"The unit is to keep {wanted}.", todo="Nothing has to be written; go on.")
    moves = []
    for settings in path(place.settings, wanted):
        moves.append(change_of_settings(profile, place, settings))
        place = moves[-1].target
    words = tuple(f"{move.name(move.source)} to {move.target.settings}." for move in moves)
    return MoveList(tuple(moves), words, ())

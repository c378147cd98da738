"""``busprobe readdress-all``: every unit of the bus list to where it should be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output, writes
from busprobe.cli.sessions import existing_job, session_on_existing, stored_profiles
from busprobe.errors import ExitCode, UsageError
from busprobe.job.plan import keep_plan, kept_plan, load_plan
from busprobe.readdress.move_list import Practice
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session


@dataclass(frozen=True, kw_only=True)
class ReaddressAllDocument(writes.BatchDocument):
    """What ``busprobe readdress-all --json`` prints."""

    format: Literal["busprobe.readdress-all/1"] = "busprobe.readdress-all/1"


def _wish(text: str) -> tuple[int, int]:
    old, _, new = text.partition("=")
    if not (old.isdecimal() and new.isdecimal()):
        raise UsageError(
            f"'{text}' is not a pair of addresses.",
            todo="Write the present and the new one, like 5=12.",
        )
    return int(old), int(new)


def run(
    port: str,
    job_file: Path,
    plan_file: Path | None,
    first: int | None,
    spares: int,
    only_needed: bool,
    wishes: tuple[str, ...],
    dry_run: bool,
    yes: bool,
    no_check: bool,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe readdress-all`` is asked for."""
    asked = dict(_wish(text) for text in wishes)
    if not asked and first is None and plan_file is None:
        with existing_job(job_file) as job:
            if not kept_plan(job):
                raise UsageError(
                    "Nothing says where the units should be: the job has no plan of the bus.",
                    todo=(
                        "Give one with --plan FILE, count up with --first ADDRESS, or name moves"
                        " with --set OLD=NEW."
                    ),
                )
    practice = (
        None if first is None else Practice(first=first, spares=spares, only_needed=only_needed)
    )
    if plan_file is not None:
        if first is not None:
            raise UsageError("--plan and --first exclude each other.", todo="Give one of them.")
        planned = load_plan(plan_file)
        with existing_job(job_file) as job:
            keep_plan(job, planned)
    if dry_run:
        with existing_job(job_file) as job:
            if job.unfinished_writes():
                output.say(
                    "A move was under way when the program last ended; without a port it is not"
                    " looked into."
                )
            moves = BusMoves(Session(job, stored_profiles(job_file)))
            plan = moves.plan_addresses(practice=practice, wishes=asked)
        finished = writes.nothing_written(plan)
    else:
        with session_on_existing(port, job_file) as session:
            moves = BusMoves(session)
            writes.recover(moves)
            plan = moves.plan_addresses(practice=practice, wishes=asked)
            writes.show_plan(plan)
            finished = writes.carry_out(moves, session, plan, yes=yes, check=not no_check)
    return writes.tell_batch(ReaddressAllDocument, plan, finished, port, job_file, as_json=as_json)

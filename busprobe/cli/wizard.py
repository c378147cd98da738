"""``busprobe``: the wizard, which leads through the whole job."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from busprobe.cli import output
from busprobe.cli.commands.whole_job import SPEED
from busprobe.cli.sessions import default_job_file, open_job, stored_profiles
from busprobe.job.plan import PlannedUnit, load_plan
from busprobe.line.clock import ScaledClock
from busprobe.session.connect import Connector
from busprobe.session.session import Session


def run(job_file: Path | None = None, plan_file: Path | None = None) -> None:
    """Do what ``busprobe wizard`` is asked for."""
    path = job_file or default_job_file()
    run_wizard(path, load_plan(plan_file) if plan_file else ())
    output.say(f"The job is in {path}.  'busprobe wizard --job {path}' goes on with it.")


def run_wizard(
    path: Path, plan: Sequence[PlannedUnit] = (), *, speed: float = SPEED, port: str = ""
) -> None:
    """Run the wizard on the job at `path`, virtual segments `speed` times faster than life; `port`
    is opened first."""
    from busprobe.wizard.app import BusprobeApp

    with open_job(path) as job:
        session = Session(
            job,
            stored_profiles(path),
            plan=plan,
            connector=Connector(virtual_clock=ScaledClock(speed)),
        )
        try:
            if port:
                session.open(port)
            BusprobeApp(session, demo=bool(port)).run()
        finally:
            session.close()

"""``busprobe``: the wizard, which leads through the whole job."""

from __future__ import annotations

import gc
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.cli import output
from busprobe.cli.commands.whole_job import SPEED
from busprobe.cli.diagnostics import check_screen
from busprobe.cli.ending import on_stop
from busprobe.cli.job_files import default_job_file

if TYPE_CHECKING:
    from busprobe.line.settings import LineSettings
    from busprobe.session.session import Session


def run(
    job_file: Path | None = None,
    plan_file: Path | None = None,
    port: str = "",
    settings: LineSettings | None = None,
    plain: bool = False,
) -> None:
    """Do what ``busprobe wizard`` is asked for."""
    path = job_file or default_job_file(port)
    run_wizard(path, plan_file, port=port, settings=settings, plain=plain)
    output.say(f"The job is in {path}.  'busprobe wizard --job {path}' goes on with it.")


def run_wizard(
    path: Path,
    plan_file: Path | None = None,
    *,
    speed: float = SPEED,
    port: str = "",
    settings: LineSettings | None = None,
    plain: bool = False,
) -> None:
    """Run the wizard on the job at `path`, virtual segments `speed` times faster than life; the
    step Port begins by opening `port`, at `settings` or 9600-8N1.

    What the terminal cannot show is drawn by the signs that it has; with `plain` all is ASCII.
    """
    check_screen()
    # Nearly all that is loaded stays: to look through it for garbage again and again takes longer
    # than the wizard has until it stands.
    gc.set_threshold(50_000)
    from busprobe.wizard.app import BusprobeApp

    remarks: list[str] = []

    def opened() -> Session:
        from busprobe.cli.sessions import open_job
        from busprobe.job.plan import load_plan
        from busprobe.line.clock import ScaledClock
        from busprobe.profiles.store import folders, load_all
        from busprobe.session.connect import Connector
        from busprobe.session.readable import check_readable
        from busprobe.session.session import Session

        plan = load_plan(plan_file) if plan_file else ()
        store = load_all(folders(path))
        remarks.extend(store.remarks)
        connector = Connector(virtual_clock=ScaledClock(speed))
        job = open_job(path)
        try:
            check_readable(job, store.profiles)
            return Session(job, store, plan=plan, connector=connector)
        except BaseException:
            job.close()
            raise

    # Textual draws on stderr, on Windows on stdout; a terminal is one for both.
    encoding = "ascii" if plain or sys.__stderr__ is None else sys.__stderr__.encoding
    app = BusprobeApp(opened, encoding=encoding, port=port, settings=settings)
    try:
        with on_stop(app.end):
            app.run()
    finally:
        if app.loaded:
            app.session.close()
            app.session.job.close()
        for remark in remarks:
            output.say(remark)
    if app.failure is not None:
        raise app.failure

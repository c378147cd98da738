"""``busprobe demo``: the whole job on the virtual segment."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from busprobe.cli import output
from busprobe.cli.wizard import run_wizard
from busprobe.errors import ExitCode, UsageError
from busprobe.session.bus_kind import VIRTUAL


def run(
    unattended: bool,
    folder: Path | None,
    overwrite: bool,
    scenario: str,
    speed: float,
    plain: bool,
) -> ExitCode:
    """Do what ``busprobe demo`` is asked for."""
    if unattended:
        from busprobe.session.demo import run_unattended

        if folder is None:
            raise UsageError(
                "--unattended needs a folder for what it leaves.", todo="Add --out FOLDER."
            )
        as_listed = run_unattended(folder, output.line, scenario=scenario, overwrite=overwrite)
        return ExitCode.DONE if as_listed else ExitCode.ATTENTION
    with TemporaryDirectory(prefix="busprobe-", ignore_cleanup_errors=True) as scratch:
        run_wizard(
            (folder or Path(scratch)) / "demo.busjob",
            speed=speed,
            port=f"{VIRTUAL}{scenario}",
            plain=plain,
        )
    return ExitCode.DONE

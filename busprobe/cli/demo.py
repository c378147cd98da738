"""``busprobe demo``: the whole job on the virtual segment."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import click

from busprobe.cli import options, output
from busprobe.cli.wizard import SPEED, run_wizard
from busprobe.errors import ExitCode, UsageError
from busprobe.session.connect import VIRTUAL


@click.command()
@click.option(
    "--unattended", is_flag=True, help="Do the whole job without the wizard; needs --out."
)
@click.option("--out", "folder", type=options.FOLDER, help="Folder for job file and bus list.")
@click.option(
    "--overwrite", is_flag=True, help="Replace the files of an earlier demo in that folder."
)
@click.option(
    "--scenario", default="site", show_default=True, help="Scenario to play, by name or file."
)
@click.option(
    "--speed",
    type=click.FloatRange(1, 1000),
    default=SPEED,
    show_default=True,
    help="Times faster than life.",
)
def command(
    unattended: bool, folder: Path | None, overwrite: bool, scenario: str, speed: float
) -> ExitCode:
    """Play the whole job on a virtual segment; no port is needed and nothing can be harmed.

    \b
    Example:
      busprobe demo --unattended --out demo-job
    """
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
            (folder or Path(scratch)) / "demo.busjob", speed=speed, port=f"{VIRTUAL}{scenario}"
        )
    return ExitCode.DONE

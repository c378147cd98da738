"""How commands end when they do not end well: one clear sentence, what to do next, an exit code."""

from __future__ import annotations

import tempfile
import traceback
from pathlib import Path

import click

from busprobe.errors import BusprobeError, ExitCode


def report_error(error: BusprobeError) -> ExitCode:
    """Say what happened, what it means and what to do, on stderr."""
    click.echo("\n".join(part for part in (error.what, error.means, error.todo) if part), err=True)
    return error.exit_code


def report_interrupt() -> ExitCode:
    """Say that the user stopped the command."""
    click.echo("Stopped.  What was found until now is kept where a job file was given.", err=True)
    return ExitCode.ATTENTION


def report_bug(error: Exception) -> ExitCode:
    """Say that busprobe itself failed, and where the details are for whoever mends it."""
    details = "".join(traceback.format_exception(error))
    with tempfile.NamedTemporaryFile(
        "w", prefix="busprobe-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(details)
    click.echo(
        f"busprobe itself failed ({type(error).__name__}); this is a fault of the program, not of"
        f" the bus.\nPlease report it with the details in {Path(file.name)}.",
        err=True,
    )
    return ExitCode.ATTENTION

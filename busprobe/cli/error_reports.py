"""How commands end when they do not end well: one clear sentence, what to do next, an exit code."""

from __future__ import annotations

import tempfile
import traceback
from io import StringIO
from pathlib import Path

import click

from busprobe.cli import diagnostics, ending, output
from busprobe.errors import BusprobeError, ExitCode
from busprobe.files.reading import reason


def report_error(error: BusprobeError) -> ExitCode:
    """Say what happened, what it means and what to do, on stderr."""
    if not isinstance(ending.output_trouble(), BrokenPipeError):  # who closed a pipe knows
        for part in filter(None, (error.what, error.means, error.todo)):
            output.say(part)
    return error.exit_code


def report_usage(error: click.ClickException) -> ExitCode:
    """Say what click found wrong with the command line, with the usage of the command."""
    said = StringIO()
    error.show(said)
    for part in said.getvalue().rstrip("\n").split("\n"):
        output.say(part)
    if isinstance(error, click.NoSuchOption) and error.option_name in diagnostics.OPTIONS:
        output.say(f"It stands before the command: busprobe {error.option_name} ... COMMAND.")
    return ExitCode.USAGE


def report_bug(error: Exception) -> ExitCode:
    """Say that busprobe itself failed, and where the details are for whoever mends it."""
    details = "".join(traceback.format_exception(error))
    output.say(
        f"busprobe itself failed ({type(error).__name__}); this is a fault of the program, not of"
        " the bus."
    )
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="busprobe-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(details)
    except OSError as trouble:
        output.say(f"Please report it; its details cannot be written ({reason(trouble)}):")
        for line in details.splitlines():
            output.say(line)
    else:
        output.say(f"Please report it with the details in {Path(file.name)}.")
    return ExitCode.ATTENTION

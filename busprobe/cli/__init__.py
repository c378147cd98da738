"""The commands: the same services as the wizard, without its screens.

Results go to stdout, with ``--json`` as one document; progress and messages go to stderr.
"""

from __future__ import annotations

import codecs
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import click

from busprobe import __version__
from busprobe.cli import diagnostics, ending, options
from busprobe.cli.commands.whole_job import wizard as wizard_command
from busprobe.cli.configuration import value_of
from busprobe.cli.error_reports import report_bug, report_error, report_usage
from busprobe.cli.groups import Sections
from busprobe.errors import BusprobeError, ExitCode, InterruptedCommandError, UsageError
from busprobe.text import plain

_CLOSED = UsageError("The output is closed.", todo="Send it to a terminal, a file or a pipe.")
_SECTIONS = {
    "The whole job": "busprobe.cli.commands.whole_job",
    "Port and wiring": "busprobe.cli.commands.bus",
    "Units": "busprobe.cli.commands.units",
    "Addresses and line settings": "busprobe.cli.commands.changes",
    "Proof and documents": "busprobe.cli.commands.results",
    "Practice": "busprobe.cli.commands.practice",
}


@click.group(
    cls=Sections,
    sections=_SECTIONS,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""\b
Exit codes:
  0  done, nothing to note
  1  done, but needs attention: a clash, a missing unit, a failed proof
  2  wrong usage, or a file that cannot be used
  3  the port failed
  4  refused, because it would not be safe
  5  a write was sent and could not be verified
  128 and above: ended by the signal of the number above 128

\b
Examples:
  busprobe demo
  busprobe --trace bus.pcapng survey --port /dev/ttyUSB0
""",
)
@click.option("--verbose", is_flag=True, help="Say on stderr what is done, exchange by exchange.")
@click.option(
    "--log", "log_file", type=options.FILE, help="Add the same to FILE; for the wizard, too."
)
@click.option(
    "--trace",
    "trace_file",
    type=options.FILE,
    help=(
        "Write every byte sent and heard to a new FILE (pcapng); 'busprobe trace' and protocol"
        " analysers read it."
    ),
)
@click.version_option(__version__)
@click.pass_context
def program(
    context: click.Context, verbose: bool, log_file: Path | None, trace_file: Path | None
) -> None:
    """Bring up an RS-485 pair of Modbus RTU units: find who is on it, give each its own address,
    hand over a bus list.

    Without a command the wizard starts, which leads through the whole job.
    """
    if not value_of("colours"):
        os.environ["NO_COLOR"] = "1"  # what libraries that draw look for (no-color.org)
    diagnostics.begin(verbose=verbose, log_file=log_file, trace_file=trace_file)
    if context.invoked_subcommand is None:
        with wizard_command.make_context("wizard", [], parent=context) as of_wizard:
            wizard_command.invoke(of_wizard)


_PLAIN = "busprobe.plain"
"""Name of what is done with a character that a console lacks."""


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return plain(error.object[error.start : error.end], error.encoding), error.end


codecs.register_error(_PLAIN, _plain)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave the process with an `ExitCode`."""
    for stream in (sys.stdout, sys.stderr):
        # A console that lacks a character (°, →) shows a substitute rather than failing in mid-job.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_PLAIN)
    results = sys.stdout is not None
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        # Closed by whoever started the program: every question is left open, and what is opened
        # later does not take a number that a system library writes its messages to.
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115
    ending.heed_signals()
    code = run(arguments) if results else report_error(_CLOSED)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):  # told by then; Python would say it once more at its end
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
    sys.exit(code)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line in this process; every way it can end is an exit code."""
    ending.begin()
    try:
        code = _run(arguments)
    except UsageError as error:
        code = ExitCode.USAGE
        with suppress(UsageError):  # there may be nothing left to say it on
            report_error(error)
    code = ending.exit_code(code)
    try:
        return diagnostics.end(code)
    except UsageError as error:  # what is missing could not be said
        return error.exit_code


def _run(arguments: Sequence[str] | None) -> int:
    try:
        result = program.main(arguments, prog_name="busprobe", standalone_mode=False)
    except BusprobeError as error:
        diagnostics.note(error)
        return report_error(error)
    except click.ClickException as error:
        return report_usage(error)
    except (click.Abort, KeyboardInterrupt):
        return report_error(InterruptedCommandError())
    except OSError as error:
        if not ending.is_output(error):
            return report_bug(error)
        ending.output_failed(error)  # by click itself, which prints the help
    except SystemExit as ended:  # click's end of a completion, and its answer to a closed pipe
        if not ended.code:
            return ExitCode.DONE
        ending.output_failed(BrokenPipeError())
    except Exception as error:  # noqa: BLE001 - the outer edge: a bug ends in a sentence, too
        diagnostics.note(error)
        return report_bug(error)
    if trouble := ending.output_trouble():  # it was left to the work to end by itself
        return report_error(ending.unwritable(trouble))
    return int(result) if isinstance(result, int) else ExitCode.DONE

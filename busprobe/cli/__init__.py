"""The commands: the same services as the wizard, without its screens.

Results go to stdout, with ``--json`` as one document; progress and messages go to stderr.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module

import click

from busprobe.cli.failures import report_bug, report_error, report_interrupt
from busprobe.cli.groups import Group
from busprobe.errors import BusprobeError, ExitCode

_COMMANDS = {
    "compare": "busprobe.cli.compare",
    "demo": "busprobe.cli.demo",
    "handover": "busprobe.cli.handover",
    "hunt": "busprobe.cli.hunt",
    "identify": "busprobe.cli.identify",
    "journal": "busprobe.cli.journal",
    "line-settings": "busprobe.cli.line_settings",
    "listen": "busprobe.cli.listen",
    "ports": "busprobe.cli.ports",
    "profiles": "busprobe.cli.profiles",
    "prove": "busprobe.cli.prove",
    "readdress": "busprobe.cli.readdress",
    "readdress-all": "busprobe.cli.readdress_all",
    "recover": "busprobe.cli.recover",
    "survey": "busprobe.cli.survey",
    "undo": "busprobe.cli.undo",
    "virtual": "busprobe.cli.virtual",
    "wiring": "busprobe.cli.wiring",
    "wizard": "busprobe.cli.wizard",
}
"""Command to the module that has it, imported only when asked for: --help need not wait for the
wizard."""


class _Commands(Group):
    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        if cmd_name not in _COMMANDS:
            return None
        command = import_module(_COMMANDS[cmd_name]).command
        if not isinstance(command, click.Command):
            raise TypeError(f"{_COMMANDS[cmd_name]}.command is no command")
        return command


@click.group(
    cls=_Commands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""\b
Exit codes:
  0  done and sound
  1  done, but needs attention: a clash, a missing unit, a failed proof
  2  wrong usage, or a file that cannot be used
  3  the port failed
  4  refused, because it would not be safe
  5  a write was sent and could not be verified

\b
Example:
  busprobe demo
""",
)
@click.version_option(package_name="busprobe")
@click.pass_context
def commands(context: click.Context) -> None:
    """Bring up an RS-485 pair of Modbus RTU units: find who is on it, give each its own address,
    hand over a bus list.

    Without a command the wizard starts, which leads through the whole job.
    """
    if context.invoked_subcommand is None:
        command = commands.get_command(context, "wizard")
        if command is not None:
            context.invoke(command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave the process with an `ExitCode`."""
    for stream in (sys.stdout, sys.stderr):
        # A console that lacks a character (°, →) shows a substitute rather than failing in mid-job.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line in this process; every way it can end is an exit code."""
    try:
        result = commands.main(arguments, prog_name="busprobe", standalone_mode=False)
    except BusprobeError as error:
        return report_error(error)
    except click.ClickException as error:
        error.show()
        return ExitCode.USAGE
    except (click.Abort, KeyboardInterrupt):
        return report_interrupt()
    except Exception as error:  # noqa: BLE001 - the outer edge: a bug ends in a sentence, too
        return report_bug(error)
    return int(result) if isinstance(result, int) else ExitCode.DONE

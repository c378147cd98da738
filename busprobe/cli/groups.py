"""Commands found by name in modules that are imported only when they are needed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import update_wrapper
from importlib import import_module
from typing import Any

import click

from busprobe.cli import output
from busprobe.errors import BusprobeError, InterruptedCommandError

_UNCUT = 1000
"""Characters, more than any first sentence has."""


def does(module: str) -> Callable[[Callable[[], None]], Callable[..., Any]]:
    """The work of a command is the function `run` of `module`, which takes the command's
    parameters by their names; it is imported when the command runs.

    With ``--json`` an error that it raises, or Ctrl-C, is its document, unless it has printed one.
    """

    def decorate(declared: Callable[[], None]) -> Callable[..., Any]:
        def call(**given: Any) -> Any:
            try:
                return import_module(module).run(**given)
            except BusprobeError as error:
                if given.get("as_json"):
                    output.error_document(error)
                raise
            except (click.Abort, KeyboardInterrupt):
                if given.get("as_json"):
                    output.error_document(InterruptedCommandError())
                raise

        return update_wrapper(call, declared)

    return decorate


class Sections(click.Group):
    """Commands in sections, each with the whole first sentence of its help; click itself would
    sort them by the alphabet and cut each to one line."""

    def __init__(self, *arguments: Any, sections: Mapping[str, str], **more: Any) -> None:
        """`sections` are titles, each with the module whose ``COMMANDS`` stand under it."""
        super().__init__(*arguments, **more)
        self.sections = sections
        """Titles, each with the module whose commands stand under it."""

    def _commands(self, module: str) -> Sequence[tuple[str, click.Command]]:
        return [(command.name or "", command) for command in import_module(module).COMMANDS]

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """All names, section by section."""
        return [name for module in self.sections.values() for name, _ in self._commands(module)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002 - click's signature
        """The command of that name, in whichever section it is."""
        for module in self.sections.values():
            for name, command in self._commands(module):
                if name == cmd_name:
                    return command
        return None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002 - click's signature
        """Write the sections."""
        for title, module in self.sections.items():
            with formatter.section(title):
                formatter.write_dl(
                    [
                        (name, command.get_short_help_str(_UNCUT))
                        for name, command in self._commands(module)
                    ]
                )

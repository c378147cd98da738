"""Commands that have commands of their own."""

from __future__ import annotations

import click

_UNCUT = 1000
"""Characters, more than any first sentence has."""


class Group(click.Group):
    """A group whose help has the whole first sentence of each command; click itself would cut it to
    one line."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands."""
        named = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, command.get_short_help_str(_UNCUT)) for name, command in named if command]
            )

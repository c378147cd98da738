"""A virtual segment to practise on."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import does


@click.command()
@click.argument("scenario", required=False)
@click.option(
    "--pty",
    "link",
    type=options.FILE,
    help="Serve on a pseudo-terminal that LINK leads to.",
    metavar="LINK",
)
@click.option(
    "--tcp", "endpoint", metavar="HOST:PORT", help="Serve on TCP; port 0 takes a free one."
)
@options.settings("Line settings of the adapter, where the port carries none.")
@does("busprobe.cli.virtual")
def virtual() -> None:
    """Serve a scenario in real time until Ctrl-C; without SCENARIO, list the shipped ones.

    \b
    Example:
      busprobe virtual clean --pty bus0
    """


COMMANDS = (virtual,)

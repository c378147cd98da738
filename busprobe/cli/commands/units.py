"""Which units are there, and what they are."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import Sections, does
from busprobe.modbus.addresses import ALL

GO_ON, WHERE_FOUND, STOP = AFTER_FIRST_PASS = ("go-on", "where-found", "stop")
"""What a survey may do when its first pass is over."""


@click.command()
@options.port
@options.settings(
    "Line settings to search, may be repeated; all common ones if left out.", multiple=True
)
@click.option(
    "--addresses",
    type=options.ADDRESSES,
    default=ALL,
    help="Addresses to search; 1-247 if left out.",
)
@click.option(
    "--expect",
    type=click.IntRange(1, 247),
    help=(
        "How many units are connected: the search stops when so many are found, which is no proof"
        " that there are no more."
    ),
)
@click.option(
    "--after-first-pass",
    "then",
    type=click.Choice([*AFTER_FIRST_PASS]),
    default=GO_ON,
    show_default=True,
    help=(
        "When units were looked for where they are likeliest: search everything, so that a unit is"
        " missed only by its own faults; search only the line settings where units were found; or"
        " stop.  What was not asked is told."
    ),
)
@click.option(
    "--also",
    type=options.PROBE,
    multiple=True,
    help=(
        "Ask silent addresses for this, too: function 1 to 4 and zero-based register, such as"
        " 3:40001 or 4:0x1F40.  May be repeated."
    ),
)
@click.option(
    "--no-quick-look",
    is_flag=True,
    help=(
        "Leave out the quick look before the search of several line settings: function 17 (a read)"
        " to every address, without waiting for replies, to see where to search first."
    ),
)
@click.option(
    "--no-further",
    is_flag=True,
    help=(
        "Leave out what silent addresses are asked for last of all: coils, inputs and registers of"
        " profiles.  A unit that answers nothing else is not found then."
    ),
)
@options.job(
    required=False, text="Job file to keep the findings in; an interrupted survey in it goes on."
)
@options.despite_master
@options.as_json
@does("busprobe.cli.survey")
def survey() -> None:
    """Search the pair for units; nothing is written to any of them.

    \b
    Example:
      busprobe survey --port virtual:mixed --addresses 1-50
      busprobe survey --port virtual:site --after-first-pass where-found
    """


@click.command()
@options.port
@options.settings("Line settings, such as 9600-8N1.")
@click.option("--address", type=options.ADDRESS, help="Unit address.")
@options.job(
    required=False,
    text="Job file to keep the result in; without --address all of its units are identified.",
)
@options.as_json
@does("busprobe.cli.identify")
def identify() -> None:
    """Ask a unit what it is, match it against the profiles and read its values; nothing is written
    to it.

    \b
    Example:
      busprobe identify --port virtual:clean --settings 9600-8N1 --address 3
      busprobe identify --port virtual:clean --job plant.busjob
    """


@click.group(cls=Sections, sections={"Commands": "busprobe.cli.profiles"})
def profiles() -> None:
    """List, show, check and draft profiles of device types.

    Profiles are looked for among the shipped ones, then in your own folder, then in the folder
    'profiles' beside the job file; of two with the same id the later one is used.  Copy one file to
    share a profile.

    \b
    Example:
      busprobe profiles show aldermoor-at-10
    """


COMMANDS = (
    survey,
    identify,
    profiles,
)

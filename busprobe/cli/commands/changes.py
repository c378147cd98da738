"""Addresses and line settings changed, and what was changed."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import does
from busprobe.modbus.addresses import LAST


@click.command()
@options.port
@options.unit_settings
@click.option("--from", "old", type=options.ADDRESS, required=True, help="Address the unit has.")
@click.option("--to", "new", type=options.ADDRESS, required=True, help="Address it is to have.")
@options.profile("Profile that says how it is done; else it is identified.")
@click.option(
    "--register", type=str, metavar="R", help="Register by hand, zero-based: 257 or 0x0101."
)
@click.option(
    "--function",
    type=click.Choice(["6", "16"]),
    help="Function code for --register; 16 if left out.",
)
@click.option(
    "--although-register-holds",
    "overwrites",
    type=options.WORD,
    metavar="VALUE",
    help="Overwrite the register although it holds this and not the unit's address.",
)
@options.yes
@options.job(required=False, text="Job file with the journal; today's job if left out.")
@options.as_json
@does("busprobe.cli.readdress")
def readdress() -> None:
    """Move one unit to another address: guards first, the exact frame shown, one write, then
    verified.

    \b
    Example:
      busprobe readdress --port /dev/ttyUSB0 --settings 9600-8N1 --from 1 --to 11 --profile
      aldermoor-at-10
    """


@click.command()
@options.port
@options.job(required=True, text="Job file; the single units on its list are moved.")
@options.plan("Plan of the bus (CSV), kept with the job from now on.")
@click.option(
    "--first",
    type=click.IntRange(1, LAST),
    help="Count up along the cable from here instead of a plan.",
)
@click.option(
    "--spares",
    type=click.IntRange(0, LAST),
    default=0,
    help="With --first: addresses left between units.",
)
@click.option(
    "--only-needed", is_flag=True, help="With --first: only units at a factory or shared address."
)
@click.option(
    "--set",
    "wishes",
    multiple=True,
    metavar="OLD=NEW",
    help="Move unit OLD to address NEW instead. May be repeated.",
)
@click.option(
    "--dry-run", is_flag=True, help="Show the moves in their order, open no port and write nothing."
)
@options.yes
@options.no_check
@options.as_json
@does("busprobe.cli.readdress_all")
def readdress_all() -> None:
    """Move all units of a job to their addresses, as few writes as possible, each shown and
    confirmed.

    The addresses come from the plan kept with the job, or count up along the cable with --first.
    No two units ever share one; units that have to change places go through a free address.  One
    power cycle at the end proves all.

    \b
    Example:
      busprobe readdress-all --port /dev/ttyUSB0 --job plant.busjob --plan plan.csv --dry-run
    """


@click.command()
@options.port
@options.settings("Line settings the unit has, such as 9600-8N1.")
@click.option("--address", type=options.ADDRESS, help="Its unit address.")
@click.option(
    "--all",
    "whole_bus",
    is_flag=True,
    help="All single units on the job's list instead, one by one.",
)
@click.option(
    "--to", "wanted", type=options.SETTINGS, required=True, help="Line settings it is to have."
)
@options.profile("Profile that has the codes; else the unit is identified.")
@options.yes
@options.no_check
@options.job(required=False, text="Job file with list and journal; today's job if left out.")
@options.as_json
@does("busprobe.cli.line_settings")
def line_settings() -> None:
    """Give a unit another baud rate or format by the codes of its profile; both are changed one
    after the other.

    Do this last, when every unit has an address of its own.  The unit is looked for at the old and
    at the new settings.

    \b
    Example:
      busprobe line-settings --port /dev/ttyUSB0 --settings 9600-8N1 --address 11 --to 19200-8E1
      busprobe line-settings --port /dev/ttyUSB0 --all --job plant.busjob --to 19200-8E1
    """


@click.command()
@options.job(required=True, text="Job file.")
@options.as_json
@does("busprobe.cli.journal")
def journal() -> None:
    """Show the journal of writes: bytes, words, reply, outcome and time of each.

    \b
    Example:
      busprobe journal --job plant.busjob
    """


@click.command()
@options.port
@options.job(required=True, text="Job file with the journal.")
@click.option(
    "--write",
    "number",
    type=click.IntRange(1),
    required=True,
    help="Number of the write in the journal.",
)
@options.profile("Profile that says how it is done; else that of the list.")
@options.yes
@options.as_json
@does("busprobe.cli.undo")
def undo() -> None:
    """Move a unit back to where it was before a write, with the same guards as any move.

    \b
    Example:
      busprobe undo --port /dev/ttyUSB0 --job plant.busjob --write 3
    """


@click.command()
@options.port
@options.job(required=True, text="Job file with the journal.")
@click.option(
    "--cycled",
    is_flag=True,
    help="The moved units were switched off and on: look what they have kept.",
)
@options.yes
@options.as_json
@does("busprobe.cli.recover")
def recover() -> None:
    """Find the outcome of moves that were interrupted, and send the rest of their procedures (save,
    lock again).

    Both addresses of each move are asked; whatever is sent is shown and confirmed first.  With
    --cycled, all moves that no power cycle has proven yet are looked at, too.

    \b
    Example:
      busprobe recover --port /dev/ttyUSB0 --job plant.busjob
    """


COMMANDS = (
    readdress,
    readdress_all,
    line_settings,
    journal,
    undo,
    recover,
)

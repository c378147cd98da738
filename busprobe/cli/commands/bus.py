"""Ports, and what is on the bus: listening, wiring, the hunt for a loose wire."""

from __future__ import annotations

import click

from busprobe.cli import options
from busprobe.cli.groups import Sections, does

_settings = options.settings("Line settings.", default="19200-8E1", show_default=True)
"""For commands that only listen or read; the default is the standard's own."""


@click.command()
@options.as_json
@does("busprobe.cli.ports")
def ports() -> None:
    """List the serial ports of this computer, with what helps to recognise an adapter.

    \b
    Example:
      busprobe ports
    """


@click.command(short_help="Listen to the pair: noise, breaks, other masters.")
@options.port
@_settings
@click.option(
    "--seconds",
    type=click.FloatRange(0, 3600, min_open=True),
    default=10.0,
    show_default=True,
    help=(
        "How long to listen; a master that polls seldom needs more.  Ctrl-C ends it and tells what"
        " was heard."
    ),
)
@click.option(
    "--probe",
    type=options.ADDRESS,
    help="Then read one register of this unit, for echo and turnaround.",
)
@options.job(required=False, text="Job file to keep in what was heard.")
@options.as_json
@does("busprobe.cli.listen")
def listen() -> None:
    """Listen to the pair: noise, a stuck line, breaks, other masters, and what that fits.

    Nothing is sent, except one read of holding register 0 with --probe.

    \b
    Example:
      busprobe listen --port virtual:stray-bytes --settings 9600-8N1 --probe 11
    """


@click.command(short_help="Say at once when a unit starts or stops answering.")
@options.port
@_settings
@click.option(
    "--addresses",
    type=options.ADDRESSES,
    default="1-10",
    show_default=True,
    help="Addresses to watch.",
)
@click.option(
    "--rounds", type=click.IntRange(1), help="Stop after so many rounds; otherwise Ctrl-C stops it."
)
@options.job(required=False, text="Job file to keep the log in.")
@options.as_json
@does("busprobe.cli.hunt")
def hunt() -> None:
    """Ask the addresses again and again and ring the bell when a unit starts or stops answering.

    Without --rounds an adapter that is unplugged meanwhile is waited for.

    \b
    Example:
      busprobe hunt --port virtual:clean --settings 9600-8N1 --addresses 11-12,21 --rounds 2
    """


@click.group(cls=Sections, sections={"Commands": "busprobe.cli.commands.wiring"})
def wiring() -> None:
    """Check meter readings; calculate bias, unit loads, cable length and voltage drop.

    \b
    Example:
      busprobe wiring meter --resistance 61 --idle 0.25
    """


@click.command()
@click.argument("file", type=options.FILE)
@options.as_json
@does("busprobe.cli.trace")
def trace() -> None:
    """Show what a file that --trace has written holds, exchange by exchange.

    \b
    Example:
      busprobe trace bus.pcapng
    """


COMMANDS = (
    ports,
    listen,
    wiring,
    hunt,
    trace,
)

"""``busprobe virtual``: a virtual segment that any other program can talk to."""

from __future__ import annotations

import threading
from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import on_interrupt
from busprobe.errors import ExitCode, UsageError
from busprobe.line.clock import SystemClock
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.virtual.loading import load_scenario, scenario_names
from busprobe.virtual.segment import Segment
from busprobe.virtual.serve import serve_pty, serve_tcp


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
@click.option(
    "--settings",
    type=options.SETTINGS,
    help="Line settings of the adapter, where the port carries none.",
)
def command(
    scenario: str | None, link: Path | None, endpoint: str | None, settings: LineSettings | None
) -> ExitCode:
    """Serve a scenario in real time until Ctrl-C; without SCENARIO, list the shipped ones.

    \b
    Example:
      busprobe virtual clean --pty bus0
    """
    if scenario is None:
        output.table(
            ("Scenario", "What it shows"),
            [(name, load_scenario(name).title) for name in scenario_names()],
        )
        return ExitCode.DONE
    if (link is None) == (endpoint is None):
        raise UsageError(
            "It is not said where to serve.", todo="Add either --pty LINK or --tcp HOST:PORT."
        )
    segment = Segment(load_scenario(scenario), SystemClock())
    for unit in segment.units:
        state = "" if unit.connected else ", not connected"
        where = f"{both_forms(unit.address)} at {unit.settings}"
        output.say(f"{unit.name}: {unit.kind.maker} {unit.kind.model}, {where}{state}")
    stop = threading.Event()
    with on_interrupt(stop.set):
        if link is not None:
            serve_pty(segment, link, stop, settings=settings, ready=_ready)
        elif endpoint is not None:
            host, number = _host_and_port(endpoint)
            serve_tcp(
                segment,
                host,
                number,
                stop,
                settings=settings or LineSettings.parse("9600-8N1"),
                ready=_ready,
            )
    return ExitCode.DONE


def _ready(name: str) -> None:
    output.line(f"Serving on {name}; Ctrl-C stops.")


def _host_and_port(endpoint: str) -> tuple[str, int]:
    host, _, number = endpoint.rpartition(":")
    if not host or not number.isascii() or not number.isdecimal():
        raise UsageError(f"'{endpoint}' is not HOST:PORT.", todo="Write it like 127.0.0.1:5020.")
    return host, int(number)

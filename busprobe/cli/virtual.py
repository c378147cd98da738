"""``busprobe virtual``: a virtual segment that any other program can talk to."""

from __future__ import annotations

import threading
from pathlib import Path

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.errors import ExitCode, UsageError
from busprobe.line.clock import SystemClock
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.virtual.loading import load_scenario, scenario_names
from busprobe.virtual.segment import Segment
from busprobe.virtual.serve import serve_pty, serve_tcp


def run(
    scenario: str | None, link: Path | None, endpoint: str | None, settings: LineSettings | None
) -> ExitCode:
    """Do what ``busprobe virtual`` is asked for."""
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
    with on_stop(stop.set):
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

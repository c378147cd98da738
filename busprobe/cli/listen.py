"""``busprobe listen``: what does the pair carry with nobody asked, and what does it fit?"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from busprobe.cli import output
from busprobe.cli.ending import on_stop
from busprobe.cli.hints import print_observations
from busprobe.cli.sessions import session_on
from busprobe.errors import ExitCode
from busprobe.line.echo import Echo
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Function, read_registers
from busprobe.wiring.listening import ListeningResult, RecordedListening


@dataclass(frozen=True, kw_only=True)
class ListenDocument(RecordedListening):
    """What ``busprobe listen --json`` prints."""

    format: Literal["busprobe.listen/1"] = "busprobe.listen/1"
    port: str


def run(
    port: str,
    settings: LineSettings,
    seconds: float,
    probe: int | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Do what ``busprobe listen`` is asked for."""
    asking = (
        [] if probe is None else [[read_registers(probe, Function.READ_HOLDING_REGISTERS, 0, 1)]]
    )
    cancel = threading.Event()
    with session_on(port, job_file, settings) as session, on_stop(cancel.set):
        output.say(f"Listening for {seconds:g} s at {settings}; Ctrl-C ends it …")
        heard = session.listen_and_ask(seconds, asking, cancel=cancel)
    if as_json:
        output.publish(ListenDocument(port=port, **vars(heard.recorded)))
    else:
        _print(heard)
    return ExitCode.ATTENTION if heard.observations else ExitCode.DONE


def _print(heard: ListeningResult) -> None:
    output.lines([heard.words])
    output.lines(_told(reply) for reply in heard.evidence.replies)
    output.lines(
        f"Unit {both_forms(address)} was not asked: another master is at work."
        for address in heard.left_unasked
    )
    print_observations(heard.observations)
    if not heard.observations:
        output.lines(["Nothing odd was heard.  A computer cannot see voltages: measure them too."])


def _told(reply: Reply) -> str:
    """Echo and turn-round of one exchange."""
    exchange = reply.exchange
    echo = "the adapter gives back what it sends" if exchange.echo is Echo.FULL else "no echo"
    asked = f"Asked unit {both_forms(reply.request.address)}: {reply.words}"
    if reply.latency is None:
        return f"{asked}; {echo}."
    return (
        f"{asked}; begun {1000 * reply.latency:.1f} ms after the request (3.5 characters are "
        f"{1000 * exchange.settings.t3_5:.1f} ms); {echo}."
    )

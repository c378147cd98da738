"""``busprobe prove``: does the bus hold up?"""

from __future__ import annotations

import threading
from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.hints import print_observations
from busprobe.cli.sessions import on_interrupt, session_on
from busprobe.errors import ExitCode
from busprobe.modbus.addresses import both_forms
from busprobe.pair import failure_patterns
from busprobe.prove.endurance import Finished, RoundDone
from busprobe.prove.proof import Proof
from busprobe.prove.tally import Kind


@click.command()
@options.port
@options.job(required=True, text="Job file; the units on its list are polled.")
@click.option("--minutes", type=click.FloatRange(0, min_open=True), help="How long; one minute if left out.")
@click.option("--rounds", type=click.IntRange(1), help="How many rounds instead.")
@options.as_json
def command(port: str, job_file: Path, minutes: float | None, rounds: int | None, as_json: bool) -> ExitCode:
    """Poll every unit of the job at full speed, retry nothing and count every kind of error.

    \b
    Example:
      busprobe prove --port /dev/ttyUSB0 --job plant.busjob --minutes 5
    """
    if minutes is None and rounds is None:
        minutes = 1.0
    stop = threading.Event()
    with session_on(port, job_file) as session, on_interrupt(stop.set):
        for event in session.prove(minutes=minutes, rounds=rounds, stop=stop):
            match event:
                case RoundDone(proof, _) if proof.rounds % 10 == 0:
                    output.say(f"{proof.rounds} rounds, {proof.polls} polls, {proof.failed} failed")
                case Finished(proof, failure):
                    last, trouble = proof, failure
        patterns = failure_patterns(session.job)
    if as_json:
        output.document({**last.document(), "patterns": [pattern.document() for pattern in patterns]})
    else:
        _print(last)
        print_observations(patterns)
    if trouble is not None:
        raise trouble
    return ExitCode.DONE if last.clean and last.complete else ExitCode.ATTENTION


def _print(proof: Proof) -> None:
    kinds = [kind for kind in Kind if any(unit.count(kind) for unit in proof.units)]
    rows = [
        (
            both_forms(unit.address),
            unit.settings,
            unit.polls,
            *(unit.count(kind) for kind in kinds),
            *(_ms(t) for t in (unit.reply_times.median, unit.reply_times.percentile(99), unit.reply_times.maximum)),
        )
        for unit in proof.units
    ]
    output.table(("Address", "Settings", "Polls", *map(str, kinds), "Median", "99 %", "Maximum"), rows)
    output.lines(proof.findings)


def _ms(seconds: float | None) -> str:
    return "" if seconds is None else f"{1000 * seconds:.1f} ms"

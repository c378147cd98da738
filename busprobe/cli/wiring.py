"""``busprobe wiring``: what a multimeter shows, and the calculations of a bus."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output, wiring_calculations
from busprobe.cli.sessions import open_job
from busprobe.errors import ExitCode
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring.arithmetic.plausibility import require
from busprobe.wiring.cautions import CAUTIONS, is_acknowledged
from busprobe.wiring.inputs import cable_loop
from busprobe.wiring.meter import Judgement, Level, parse_resistance, parse_voltage
from busprobe.wiring.record import wiring_document
from busprobe.wiring.resistance import MeasuredPair, judge_resistance, terminators_by
from busprobe.wiring.voltage import judge_idle, judge_supply, judge_to_common
from busprobe.wiring.wire_names import CONVENTIONS, EXPLANATION, EXPLANATION_SOURCE, Labels


@click.command("meter", short_help="Judge what a multimeter shows.")
@click.option(
    "--resistance",
    default="",
    metavar="OHM",
    help="Between the wires, all power off: 61, 1.2k, OL.",
)
@click.option(
    "--terminator", type=float, default=120.0, show_default=True, help="Ohm of each terminator."
)
@click.option(
    "--cable",
    default="",
    metavar="METRES[ SIZE]",
    help="From here to the far end: 300, or '300 0.75'.",
)
@click.option(
    "--idle",
    default="",
    metavar="VOLT",
    help="Between the wires, powered and idle; red lead on D1, + or A.",
)
@click.option(
    "--letters", is_flag=True, help="The red lead was on a terminal marked A, not D1 or +."
)
@click.option("--d1", default="", metavar="VOLT", help="D1 (or +, or A) to common, idle.")
@click.option("--d0", default="", metavar="VOLT", help="D0 (or -, or B) to common, idle.")
@click.option("--supply", default="", metavar="VOLT", help="Supply at the far unit, under load.")
@click.option("--nominal", type=float, default=24.0, show_default=True, help="Nominal supply in V.")
@click.option("--lowest", type=float, help="Lowest supply that the unit's data sheet allows, in V.")
@click.option("--highest", type=float, help="Highest supply that it allows, in V.")
@options.job(required=False, text="Job file to keep the readings in.")
@options.as_json
def meter(
    resistance: str,
    terminator: float,
    cable: str,
    idle: str,
    letters: bool,
    d1: str,
    d0: str,
    supply: str,
    nominal: float,
    lowest: float | None,
    highest: float | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Judge what a multimeter shows; what is left out counts as not measured, and stays in the job
    as it was.

    \b
    Example:
      busprobe wiring meter --resistance 118 --idle 0.02
    """
    labels = Labels.LETTERS if letters else Labels.SIGN
    ohms, voltage = parse_resistance(resistance), parse_voltage(idle)
    pair = MeasuredPair(require(terminator, "A terminator", "ohm"), loop=cable_loop(cable))
    judgements = (
        judge_resistance(ohms, pair),
        judge_idle(voltage, labels, terminators_by(ohms, pair)),
        judge_to_common(parse_voltage(d1), parse_voltage(d0), voltage, labels),
        judge_supply(parse_voltage(supply), nominal, lowest, highest),
    )
    document = wiring_document(judgements, (), listened=False)
    cautious = True
    if job_file is not None:
        with open_job(job_file) as job:
            document = keep_wiring(
                job, [each for each in judgements if each.level is not Level.NOT_MEASURED]
            )
            read = job.latest("cautions")
            cautious = not is_acknowledged(read.document if read is not None else None)
    if as_json:
        output.document(document)
    else:
        for caution in CAUTIONS if cautious else ():
            output.say(f"Caution: {caution.text}")
        for judgement in judgements:
            _print(judgement)
    sound = all(judgement.level in (Level.GOOD, Level.NOT_MEASURED) for judgement in judgements)
    return ExitCode.DONE if sound else ExitCode.ATTENTION


def _print(judgement: Judgement) -> None:
    if judgement.level is Level.NOT_MEASURED and not judgement.action:
        output.lines([f"{judgement.measurement}: {judgement.level}."])
        return
    output.lines([f"{judgement.measurement}: {judgement.level}. {judgement.words}"])
    if judgement.action:
        output.lines([f"  Next: {judgement.action}"])
    if judgement.limits:
        output.lines([f"  Limits: {judgement.limits}.", f"  Source: {judgement.source}."])


@click.command("names", short_help="Explain how the two wires are named.")
def names() -> None:
    """Explain how the two wires are named, and why letters cannot be trusted.

    \b
    Example:
      busprobe wiring names
    """
    output.lines([EXPLANATION, f"Source: {EXPLANATION_SOURCE}."])
    output.table(
        ("Who", "Idle positive", "Idle negative", "Source"),
        [(each.who, each.idle_positive, each.idle_negative, each.source) for each in CONVENTIONS],
    )


COMMANDS = (meter, names, *wiring_calculations.commands())

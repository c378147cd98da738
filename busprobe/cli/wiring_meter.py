"""``busprobe wiring meter``: what a multimeter shows, and what that fits."""

from __future__ import annotations

from pathlib import Path

from busprobe.cli import output
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
from busprobe.wiring.wire_names import Labels


def run(
    resistance: str,
    terminator: float | None,
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
    """Do what ``busprobe wiring meter`` is asked for."""
    labels = Labels.LETTERS if letters else Labels.SIGN
    ohms, voltage = parse_resistance(resistance), parse_voltage(idle)
    fitted = None if terminator is None else require(terminator, "A terminator", "ohm")
    pair = MeasuredPair(fitted, loop=cable_loop(cable))
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

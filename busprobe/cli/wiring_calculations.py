"""The arithmetic under ``busprobe wiring``: one command a sum, each naming its source."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import open_job
from busprobe.errors import ExitCode
from busprobe.line.settings import LineSettings
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring import figures, sums
from busprobe.wiring.arithmetic.bias import THRESHOLD, LoadModel
from busprobe.wiring.arithmetic.conductor import Conductor

_IN_JOB = options.job(required=False, text="Job file to keep the result in.")
_WIRE = options.parsed("SIZE", Conductor.parse)


def _tell(reckoned: sums.Reckoned, job_file: Path | None, as_json: bool) -> ExitCode:
    """Print the result, keep it if asked; attention where what was given will not do."""
    if job_file is not None:
        with open_job(job_file) as job:
            keep_wiring(job, sums=(reckoned,))
    if as_json:
        output.document(
            {
                "format": f"busprobe.wiring-{reckoned.name}/1",
                **reckoned.values,
                "given": reckoned.given,
                "formula": reckoned.formula,
                "source": reckoned.source,
            }
        )
    else:
        told = [*reckoned.lines, f"Given: {reckoned.given}.", f"Formula: {reckoned.formula}."]
        output.lines([*told, f"Source: {reckoned.source}."])
    return ExitCode.DONE if reckoned.sound else ExitCode.ATTENTION


@click.command("bias", short_help="Fail-safe bias: the resistors, or the idle voltage they give.")
@click.option("--supply", type=float, default=5.0, show_default=True, help="Bias supply in V.")
@click.option(
    "--terminator",
    "terminators",
    type=float,
    multiple=True,
    help="Ohm of each terminator; two of 120 if left out.",
)
@click.option(
    "--no-terminators", is_flag=True, help="None is fitted, or all are in series with a capacitor."
)
@click.option(
    "--unit-loads", type=float, default=0.0, show_default=True, help="Unit loads of all receivers."
)
@click.option(
    "--resistor",
    type=float,
    help="Bias resistors that are fitted, each in ohm: gives the idle voltage.",
)
@click.option(
    "--wanted", type=float, default=THRESHOLD, show_default=True, help="Idle voltage wanted, in V."
)
@click.option(
    "--impedance",
    type=float,
    default=sums.IMPEDANCE,
    show_default=True,
    help="Of the cable, in ohm.",
)
@click.option(
    "--across", is_flag=True, help="Take unit loads across the pair, not from each wire to common."
)
@_IN_JOB
@options.as_json
def bias(
    supply: float,
    terminators: tuple[float, ...],
    no_terminators: bool,
    unit_loads: float,
    resistor: float | None,
    wanted: float,
    impedance: float,
    across: bool,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Fail-safe bias: which resistors hold an idle pair, or what given ones yield.

    \b
    Example:
      busprobe wiring bias --resistor 650 --unit-loads 28
    """
    ends = () if no_terminators else terminators or (sums.IMPEDANCE, sums.IMPEDANCE)
    model = LoadModel.ACROSS_PAIR if across else LoadModel.TO_COMMON
    reckoned = sums.bias(
        supply, ends, unit_loads, resistor=resistor, wanted=wanted, impedance=impedance, model=model
    )
    return _tell(reckoned, job_file, as_json)


@click.command("loads", short_help="Unit-load budget, and where repeaters are needed.")
@click.argument("loads", metavar="LOAD...", nargs=-1, required=True)
@click.option(
    "--no-bias", is_flag=True, help="The pair has no bias, which costs four units' worth."
)
@_IN_JOB
@options.as_json
def loads(loads: tuple[str, ...], no_bias: bool, job_file: Path | None, as_json: bool) -> ExitCode:
    """Unit-load budget: are repeaters needed, and where?  Give each unit's load in cable order,
    master included.

    \b
    Example:
      busprobe wiring loads 1 20x1 8x0.125
    """
    return _tell(sums.loads(figures.unit_loads(loads), biased=not no_bias), job_file, as_json)


@click.command("stub")
@click.option("--rise-time", type=float, help="Driver's 10-90 % rise time in ns.")
@click.option(
    "--derivations",
    type=click.IntRange(1),
    default=1,
    show_default=True,
    help="Derivations at one tap.",
)
@_IN_JOB
@options.as_json
def stub(
    rise_time: float | None, derivations: int, job_file: Path | None, as_json: bool
) -> ExitCode:
    """Longest stub: by the driver's edge, and by the Modbus guide.

    \b
    Example:
      busprobe wiring stub --rise-time 25
    """
    return _tell(sums.stub(rise_time, derivations), job_file, as_json)


@click.command("length")
@click.option("--baud", type=click.IntRange(300), required=True, help="Baud rate.")
@click.option(
    "--cable",
    type=click.Choice(sorted(figures.CABLES)),
    default="pair",
    show_default=True,
    help="Kind of trunk.",
)
@click.option("--metres", type=float, help="Length of the trunk, to be judged.")
@click.option(
    "--wire",
    type=_WIRE,
    help="Its wire size, for the level at the far end: AWG24, or mm² like 0.75.",
)
@_IN_JOB
@options.as_json
def length(
    baud: int,
    cable: str,
    metres: float | None,
    wire: Conductor | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Longest trunk at a baud rate.

    \b
    Example:
      busprobe wiring length --baud 115200
    """
    return _tell(
        sums.length(baud, figures.cabling(cable), metres=metres, wire=wire), job_file, as_json
    )


@click.command("drop", short_help="Voltage left at each unit along a supply pair.")
@click.argument("units", metavar="METRES:AMPERES...", nargs=-1, required=True)
@click.option("--supply", type=float, default=24.0, show_default=True, help="Supply in V.")
@click.option(
    "--wire",
    type=_WIRE,
    default="0.75",
    show_default=True,
    help="Wire size: AWG24, or mm² like 0.75.",
)
@click.option("--celsius", type=float, default=20.0, show_default=True, help="Copper temperature.")
@_IN_JOB
@options.as_json
def drop(
    units: tuple[str, ...],
    supply: float,
    wire: Conductor,
    celsius: float,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Voltage left at units that draw current at their own distances along one supply pair.

    \b
    Example:
      busprobe wiring drop 50:0.1 120:0.1 --supply 12 --wire AWG20
    """
    return _tell(sums.drop(figures.drains(units), supply, wire, celsius), job_file, as_json)


@click.command("time", short_help="Time one read takes on the wire.")
@click.option(
    "--settings", type=options.SETTINGS, required=True, help="Line settings, such as 9600-8N1."
)
@click.option(
    "--registers", type=click.IntRange(1, 125), default=1, show_default=True, help="Registers read."
)
@click.option(
    "--latency",
    type=click.FloatRange(0),
    help="The unit's delay in ms; 3.5 characters, the least by the standard, if left out.",
)
@_IN_JOB
@options.as_json
def wire_time(
    settings: LineSettings,
    registers: int,
    latency: float | None,
    job_file: Path | None,
    as_json: bool,
) -> ExitCode:
    """Time one read takes on the wire: request, reply and the silences between.

    \b
    Example:
      busprobe wiring time --settings 9600-8N1 --registers 10
    """
    return _tell(sums.wire_time(settings, registers, latency), job_file, as_json)


@click.command("bits", short_help="Bits of bytes on the wire, in the order they are sent.")
@click.argument("data", metavar="HEX...", nargs=-1, required=True)
@click.option(
    "--settings",
    type=options.SETTINGS,
    default="9600-8E1",
    show_default=True,
    help="Line settings.",
)
@_IN_JOB
@options.as_json
def bits(
    data: tuple[str, ...], settings: LineSettings, job_file: Path | None, as_json: bool
) -> ExitCode:
    """Bits of bytes on the wire, in the order they are sent: start, data, parity, stop.

    \b
    Example:
      busprobe wiring bits C5 --settings 9600-8O1
    """
    return _tell(sums.bits(figures.frame_bytes(" ".join(data)), settings), job_file, as_json)


COMMANDS = (bias, loads, stub, length, drop, wire_time, bits)

"""Under ``busprobe wiring``: what a multimeter shows, how the wires are named, and a command for
each calculation, made from its declaration."""

from __future__ import annotations

from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import click

from busprobe.cli import options
from busprobe.cli.groups import does
from busprobe.wiring.calculations import CALCULATIONS, Calculation
from busprobe.wiring.inputs import By, Input


@click.command("meter", short_help="Judge what a multimeter shows.")
@click.option(
    "--resistance",
    default="",
    metavar="OHM",
    help="Between the wires, all power off: 61, 1.2k, OL.",
)
@click.option(
    "--terminator", type=float, help="Ohm of each terminator. Default: 120, or 150 as in V1.02."
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
@does("busprobe.cli.wiring_meter")
def meter() -> None:
    """Judge what a multimeter shows; what is left out counts as not measured, and stays in the job
    as it was.

    \b
    Example:
      busprobe wiring meter --resistance 118 --idle 0.02
    """


@click.command("names", short_help="Explain how the two wires are named.")
@does("busprobe.cli.wiring_names")
def names() -> None:
    """Explain how the two wires are named, and why letters cannot be trusted.

    \b
    Example:
      busprobe wiring names
    """


def _command(calculation: Calculation) -> click.Command:
    @options.job(required=False, text="Job file to keep the result in.")
    @options.as_json
    def call(job_file: Path | None, as_json: bool, **given: Any) -> Any:
        texts = {}
        for each in calculation.inputs:
            if each.flag is not None and given[_flag_name(each)]:
                texts[each.name] = each.flag.text
            elif value := given.get(each.name):
                texts[each.name] = value if isinstance(value, str) else " ".join(value)
        work = import_module("busprobe.cli.wiring_calculations")
        return work.run(calculation, texts, job_file, as_json)

    return click.command(
        calculation.name,
        params=[one for each in calculation.inputs for one in _parameters(each)],
        short_help=calculation.summary,
        help=f"{calculation.help}\n\n\b\nExample:\n"
        f"  busprobe wiring {calculation.name} {calculation.example}",
    )(call)


def _parameters(each: Input) -> Iterator[click.Parameter]:
    metavar = each.metavar or each.unit.replace("Ω", "ohm").upper() or each.name.upper()
    if each.by is By.ARGUMENTS:
        yield click.Argument((each.name,), metavar=f"{metavar}...", nargs=-1, required=True)
    elif each.by is By.OPTION:
        preset: dict[str, Any] = {}
        if each.default and not each.repeated:
            preset["default"] = each.default
        yield click.Option(
            (each.option or f"--{each.name}", each.name),
            metavar=metavar,
            multiple=each.repeated,
            required=each.required,
            show_default=True,
            help=each.help or f"{each.label}{f' in {each.unit}' if each.unit else ''}.",
            **preset,
        )
    if each.flag is not None:
        yield click.Option((each.flag.option, _flag_name(each)), is_flag=True, help=each.flag.help)


def _flag_name(each: Input) -> str:
    return f"{each.name}_flag"


COMMANDS = (meter, names, *map(_command, CALCULATIONS))

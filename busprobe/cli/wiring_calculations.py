"""The calculations under ``busprobe wiring``: one command each, made from its declaration."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import open_job
from busprobe.errors import ExitCode
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring.calculations import CALCULATIONS, Calculated, Calculation
from busprobe.wiring.inputs import By, Input


def commands() -> Iterator[click.Command]:
    """A command for each calculation."""
    return map(_command, CALCULATIONS)


def _command(calculation: Calculation) -> click.Command:
    @options.job(required=False, text="Job file to keep the result in.")
    @options.as_json
    def run(job_file: Path | None, as_json: bool, **given: Any) -> ExitCode:
        texts = {}
        for each in calculation.inputs:
            if each.flag is not None and given[_flag_name(each)]:
                texts[each.name] = each.flag.text
            elif value := given.get(each.name):
                texts[each.name] = value if isinstance(value, str) else " ".join(value)
        return _show(calculation.result(texts), job_file, as_json)

    return click.command(
        calculation.name,
        params=[one for each in calculation.inputs for one in _parameters(each)],
        short_help=calculation.summary,
        help=f"{calculation.help}\n\n\b\nExample:\n"
        f"  busprobe wiring {calculation.name} {calculation.example}",
    )(run)


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


def _show(result: Calculated, job_file: Path | None, as_json: bool) -> ExitCode:
    """Print the result, keep it if asked; attention where what was given will not do."""
    if job_file is not None:
        with open_job(job_file) as job:
            keep_wiring(job, calculations=(result,))
    if as_json:
        output.document(
            {
                "format": f"busprobe.wiring-{result.name}/1",
                **result.values,
                "given": result.given,
                "formula": result.formula,
                "source": result.source,
            }
        )
    else:
        output.lines([*result.lines, f"Given: {result.given}.", f"Formula: {result.formula}."])
        output.lines([f"Source: {result.source}."])
    return ExitCode.DONE if result.sufficient else ExitCode.ATTENTION

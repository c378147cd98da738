"""The calculations under ``busprobe wiring``: one command each, made from its declaration."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click

from busprobe.cli import options, output
from busprobe.cli.sessions import open_job
from busprobe.errors import ExitCode
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring.calculations import CALCULATIONS, Calculated, Calculation
from busprobe.wiring.inputs import Input

_Run = Callable[..., ExitCode]


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
                texts[each.name] = " ".join(value) if each.repeated else value
        return _show(calculation.result(texts), job_file, as_json)

    for each in reversed(calculation.inputs):
        run = _with_parameters(run, each)
    return click.command(
        calculation.name,
        short_help=calculation.summary,
        help=f"{calculation.help}\n\n\b\nExample:\n"
        f"  busprobe wiring {calculation.name} {calculation.example}",
    )(run)


def _with_parameters(run: _Run, each: Input) -> _Run:
    if each.flag is not None:
        run = click.option(each.flag.option, _flag_name(each), is_flag=True, help=each.flag.help)(
            run
        )
    metavar = each.metavar or each.unit.upper()
    if each.option:
        run = click.option(
            each.option,
            each.name,
            metavar=metavar,
            multiple=each.repeated,
            required=each.required,
            default=None if each.repeated else each.default or None,
            show_default=not each.repeated,
            help=each.help,
        )(run)
    elif each.required:
        run = click.argument(each.name, metavar=f"{metavar}...", nargs=-1, required=True)(run)
    return run


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

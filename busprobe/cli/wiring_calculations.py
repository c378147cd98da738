"""The calculations under ``busprobe wiring``: the result of one, printed and kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import Field

from busprobe.cli import output
from busprobe.cli.sessions import open_job
from busprobe.errors import ExitCode
from busprobe.files.documents import to_document
from busprobe.session.wiring_record import keep_wiring
from busprobe.wiring.calculations import Calculation


@dataclass(frozen=True, kw_only=True)
class CalculationDocument:
    """What ``busprobe wiring NAME --json`` prints of a calculation, besides its result: numbers
    with their units in their names."""

    format: Annotated[str, Field(pattern=r"^busprobe\.wiring-[a-z-]+/1$")]
    given: str
    formula: str
    source: str


def run(
    calculation: Calculation, texts: Mapping[str, str], job_file: Path | None, as_json: bool
) -> ExitCode:
    """Calculate from the `texts` of inputs by name; attention where what was given will not do."""
    result = calculation.result(texts)
    if job_file is not None:
        with open_job(job_file) as job:
            keep_wiring(job, calculations=(result,))
    if as_json:
        about = CalculationDocument(
            format=f"busprobe.wiring-{result.name}/1",
            given=result.given,
            formula=result.formula,
            source=result.source,
        )
        output.document({**to_document(about), **result.values})
    else:
        output.lines([*result.lines, f"Given: {result.given}.", f"Formula: {result.formula}."])
        output.lines([f"Source: {result.source}."])
    return ExitCode.DONE if result.sufficient else ExitCode.ATTENTION

"""Documents of the steps that are read again when the list is written out: whether each is what its
step stores."""

from __future__ import annotations

from dataclasses import asdict

from pydantic import BaseModel, ConfigDict, TypeAdapter
from pydantic_core import to_json

from busprobe.handover.bus_list import BusList, StepSheet, SurveySheet
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.prove.documents import kept_trial
from busprobe.wiring.record import read_record


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="allow")


class _Listening(_Part):
    words: str = ""
    other_master: bool = False


class _Cautions(_Part):
    by: str = ""


class _Hunt(_Part):
    addresses: str
    log: list[str]


class _Run(_Part):
    strays: int = 0
    complete: bool = True


class _Trial(_Part):
    cycle_s: float | None = None
    cycles: int = 0
    polls: int = 0
    failed: int = 0


_SURVEY = TypeAdapter(SurveySheet)


def check(bus_list: BusList) -> None:
    """Raises ValueError, LookupError, TypeError or `UsageError` where a document of a step is not
    what the step stores."""
    segment, proof, trial = bus_list.segment, bus_list.proof, bus_list.trial
    parts: tuple[tuple[type[_Part], StepSheet | None], ...] = (
        (_Listening, segment.listening),
        (_Cautions, segment.cautions),
        *((_Hunt, hunt) for hunt in segment.hunts),
        (_Run, proof.latest if proof else None),
        (_Trial, trial),
    )
    for kind, sheet in parts:
        if sheet is not None:
            kind.model_validate(sheet.document)
    if segment.wiring is not None:
        read_record(segment.wiring.document)
    if segment.survey is not None:
        _SURVEY.validate_json(to_json(asdict(segment.survey)), strict=True)
    if trial is not None:
        kept_trial(trial.made, trial.document)
    latest_proof(bus_list)

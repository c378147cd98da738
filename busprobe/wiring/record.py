"""The record of the wiring step, as stored in the job: what was measured, judged and heard, and
what was skipped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Final, Literal

from pydantic import Field, TypeAdapter

from busprobe.files.documents import to_document
from busprobe.wiring.calculations import Calculated
from busprobe.wiring.causes import Observation, RecordedObservation
from busprobe.wiring.meter import Judgement, Level, Measurement

FORMAT: Final = "busprobe.wiring/1"
"""Name of the document."""

LISTENING = "listening to the pair"
"""Stands among what was skipped where the bus was not listened to; by it alone older versions of
the document say so."""


@dataclass(frozen=True)
class WiringRecord:
    """What is known of the wiring."""

    judgements: tuple[Judgement, ...] = ()
    """Of readings that were made, in the order of `Measurement`."""
    observations: tuple[RecordedObservation, ...] = ()
    """What was heard; empty also where nothing was odd."""
    patterns: tuple[RecordedObservation, ...] = ()
    """What failures of other steps say by place and time."""
    calculations: Annotated[tuple[Calculated, ...], Field(alias="sums")] = ()
    """Those that were to be kept."""
    listened: bool = False
    """Whether the bus was listened to, which tells no observation from none made."""

    @property
    def unmeasured(self) -> tuple[Measurement, ...]:
        """What was not measured."""
        measured = {judgement.measurement for judgement in self.judgements}
        return tuple(kind for kind in Measurement if kind not in measured)

    def document(self) -> dict[str, object]:
        """As stored in the job, and as `--json` prints it."""
        skipped = (*map(str, self.unmeasured), *(() if self.listened else (LISTENING,)))
        return to_document(WiringDocument(**vars(self), skipped=skipped))


@dataclass(frozen=True, kw_only=True)
class WiringDocument(WiringRecord):
    """The record with its format and what was not done."""

    format: Literal["busprobe.wiring/1"] = FORMAT
    skipped: tuple[str, ...]


@cache
def _adapter() -> TypeAdapter[WiringRecord]:
    return TypeAdapter(WiringRecord)


def read_record(document: Mapping[str, Any] | None) -> WiringRecord:
    """The record that `document` is; an empty one for none, or for a document of another format."""
    if document is None or document.get("format") != FORMAT:
        return WiringRecord()
    listened = LISTENING not in document.get("skipped", (LISTENING,))
    return _adapter().validate_python({"listened": listened, **document})


def wiring_document(
    judgements: Sequence[Judgement],
    observations: Sequence[Observation],
    *,
    listened: bool,
    patterns: Sequence[Observation] = (),
    calculations: Sequence[Calculated] = (),
    earlier: Mapping[str, Any] | None = None,
) -> dict[str, object]:
    """The step's results as a document.

    What this visit did not even try is carried on from an `earlier` document: kinds of measurement
    that have no judgement, what was heard where it did not listen (`listened`), and calculations of
    other inputs.  `patterns` are what failures of other steps say by place and time.
    """
    before = read_record(earlier)
    judged = {each.measurement for each in judgements}
    again = {(each.name, each.given) for each in calculations}
    kept = [
        *(each for each in before.judgements if each.measurement not in judged),
        *(each for each in judgements if each.level is not Level.NOT_MEASURED),
    ]
    kinds = list(Measurement)
    return WiringRecord(
        tuple(sorted(kept, key=lambda each: kinds.index(each.measurement))),
        tuple(each.recorded for each in observations) if listened else before.observations,
        tuple(each.recorded for each in patterns),
        (
            *(each for each in before.calculations if (each.name, each.given) not in again),
            *calculations,
        ),
        listened or before.listened,
    ).document()

"""Cautions for where hands go: short, shown once a job, acknowledged, recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

FORMAT = "busprobe.cautions/1"
"""Name of the document that records an acknowledgement."""


@dataclass(frozen=True)
class Caution:
    """One caution."""

    name: str
    """Short name, kept in the record: a caution that is added later has to be acknowledged too."""
    text: str
    """What to do, in one or two sentences."""


CAUTIONS = (
    Caution(
        "codes",
        "Local codes and licensed practice come first. If a cabinet is not yours to open, have it"
        " opened by who may.",
    ),
    Caution(
        "isolate",
        "Isolate, lock out, tag, and prove dead with a tester you have just tried on a live point,"
        " before touching any terminal. Measure resistance only with the power off.",
    ),
    Caution(
        "mains",
        "Mains may be in the same cabinet, and on terminals that look like the bus. Measure against"
        " earth before you trust a wire.",
    ),
    Caution(
        "machinery",
        "Machinery may start by itself, or by one written register. Keep all persons out of its"
        " reach while you work on the bus.",
    ),
    Caution(
        "current transformers",
        "Never open the secondary circuit of a current transformer under load: the voltage kills."
        " Short it first at its shorting terminals.",
    ),
    Caution(
        "live process",
        "A live process may trip when its master is unplugged or kept waiting, after seconds or"
        " minutes. Ask who runs it, before you take over the pair.",
    ),
)
"""Trade practice, in the order they are shown."""


def acknowledgement(by: str, at: datetime) -> dict[str, object]:
    """The record that `by` has read all `CAUTIONS`; to be stored with the job."""
    return {
        "format": FORMAT,
        "by": by,
        "at": at.isoformat(),
        "cautions": [{"name": caution.name, "text": caution.text} for caution in CAUTIONS],
    }


def is_acknowledged(document: Mapping[str, object] | None) -> bool:
    """Whether `document` is the record of an acknowledgement of every caution as it reads today."""
    if document is None or document.get("format") != FORMAT:
        return False
    return document.get("cautions") == [
        {"name": caution.name, "text": caution.text} for caution in CAUTIONS
    ]

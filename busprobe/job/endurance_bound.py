"""What an endurance run has to show before it counts as passed: agreed with the client, kept with
the job."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.files.documents import to_document
from busprobe.job.job import Job
from busprobe.text import number_within

_KEY = "endurance.bound"
_PERCENT_KEY = "prove.wanted_percent"
"""Where jobs up to version 0.2.0 keep the percentage alone."""


@dataclass(frozen=True)
class EnduranceBound:
    """How many polls may fail, for how long it has to be shown, and where that was agreed; the
    figures by default are our choice."""

    percent: float = 0.5
    """Most polls of any unit that fail, in per cent, with 95 % confidence."""
    minutes: float = 15.0
    """Least time of the run."""
    agreed: str = ""
    """Where it was agreed: a specification, a person; empty = it was not, the default holds."""

    @property
    def name(self) -> str:
        """What it is called in the documents."""
        return self.agreed or "default of busprobe"


def keep_bound(job: Job, bound: EnduranceBound) -> None:
    """Keep what was agreed with the job."""
    job.set_state(_KEY, to_document(bound))


def kept_bound(job: Job) -> EnduranceBound:
    """What was agreed, or the default."""
    kept = job.state(_KEY, EnduranceBound)
    if kept is None:
        percent = job.state(_PERCENT_KEY, float)
        return EnduranceBound() if percent is None else EnduranceBound(percent)
    return kept


def parse_percent(text: str) -> float:
    """A share of polls in per cent as a person types it; raises `UsageError`."""
    return _number(text.removesuffix("%"), "per cent", 0.001, 50.0)


def parse_minutes(text: str) -> float:
    """Minutes as a person types them; raises `UsageError`."""
    return _number(text.removesuffix("min"), "minutes", 1.0, 60.0 * 24 * 14)


def _number(text: str, unit: str, least: float, most: float) -> float:
    number = number_within(text, least, most)
    if number is None:
        raise UsageError(
            f"'{text.strip()[:20]}' is no number of {unit}.",
            todo=f"Give one from {least:g} to {most:g}.",
        )
    return number

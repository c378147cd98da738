"""What a survey tells while it runs."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.survey.estimate import Estimate
from busprobe.survey.findings import Finding, FirstPass, SurveyResult
from busprobe.survey.probes import Asking, Listening, LookingQuickly


@dataclass(frozen=True)
class Started:
    """The survey begins."""

    settings: tuple[LineSettings, ...]
    """In the order they are searched."""
    addresses: tuple[int, ...]
    estimate: Estimate
    """Each setting where a unit is found is searched more thoroughly if there are many: no more
    than one is counted with."""


@dataclass(frozen=True)
class Progress:
    """How far the survey is."""

    done: int
    """Probes sent."""
    total: int
    """Probes in all, as known by now."""
    left: Estimate
    only_further: bool = False
    """Whether all that is left is what silent addresses are asked last of all, which
    `Survey.skip_setting` leaves out."""


@dataclass(frozen=True)
class Found:
    """A unit is there, or several; a later one for the same address and settings takes its
    place."""

    finding: Finding


@dataclass(frozen=True)
class OtherMasterHeard:
    """Another master talks on this bus.

    The survey ends next unless `Survey.go_on` is called before it is resumed: asking while
    another master is asking disturbs a plant that may be running.
    """

    words: str


@dataclass(frozen=True)
class Fault:
    """Something is wrong with the line, the port or a unit; the survey itself goes on where it
    can."""

    words: str


@dataclass(frozen=True)
class FirstPassOver:
    """Units were found, and no more are likely; the survey goes on, to be sure that there are none.

    Until it is over `Survey.only_where_found` and `Survey.stop_here` make it shorter.
    """

    first_pass: FirstPass
    left: Estimate
    """To ask everything that was to be asked."""
    only_where_found: Estimate | None
    """To ask everything at the line settings where units were found; None where those are all."""


@dataclass(frozen=True)
class Identifying:
    """All was asked that was to be; what a unit says of itself and its values are read next."""

    place: Place
    number: int
    """Which of the units it is, from 1."""
    of: int

    @property
    def settings(self) -> LineSettings:
        """Line settings at which it is asked."""
        return self.place.settings


@dataclass(frozen=True)
class Finished:
    """The last event, always."""

    result: SurveyResult


Event = (
    Started
    | Listening
    | Asking
    | LookingQuickly
    | Progress
    | Found
    | OtherMasterHeard
    | Fault
    | FirstPassOver
    | Identifying
    | Finished
)

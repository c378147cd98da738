"""What the survey asks the technician: the range of the search, and whether to go on."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import Enum, auto

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, LAST, format_addresses, parse_addresses
from busprobe.profiles.schema import Profile, factories
from busprobe.survey.estimate import LISTEN_FIRST, Estimate, estimate
from busprobe.survey.events import FirstPassOver
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.survey.probes import BITS, FurtherProbes, Probe
from busprobe.survey.schedule import Schedule, common_settings
from busprobe.survey.waits import Pace
from busprobe.wizard.common.choice import Offered
from busprobe.wizard.common.question import Answer, Question

COMMON = "common"
"""Stands for all common settings in the form."""


@dataclass(frozen=True)
class SearchRange:
    """Settings in the order they are tried, addresses, how many units to expect (None if unknown),
    and what silent addresses are asked for: what the form names, and all of it."""

    settings: tuple[LineSettings, ...]
    addresses: tuple[int, ...]
    expect: int | None
    also: tuple[Probe, ...] = ()
    further: tuple[Probe, ...] = BITS

    @property
    def estimate(self) -> Estimate:
        """How long it takes."""
        schedule = Schedule.plan(self.settings, self.addresses, further=self.further)
        return estimate(schedule, Pace(), expect=self.expect).after(LISTEN_FIRST)

    @property
    def words(self) -> str:
        """What is searched, in one phrase."""
        count = len(self.settings)
        settings = str(self.settings[0]) if count == 1 else f"{count} settings"
        return f"addresses {format_addresses(self.addresses)} at {settings}"


def read_search(
    settings: str, addresses: str, expect: str, also: str, profiles: Collection[Profile] = ()
) -> SearchRange:
    """Read the form's texts; raises `UsageError` saying which one cannot be read.

    The factory settings of `profiles` are among the common ones, and of their registers the
    silent addresses are asked for; the likeliest come first.
    """
    if settings.strip().lower() in (COMMON, ""):
        asked = common_settings(factory.settings for factory in factories(profiles))
    else:
        asked = tuple(
            dict.fromkeys(LineSettings.parse(part) for part in settings.split(",") if part.strip())
        )
    count = int(expect) if expect.strip().isdigit() else None
    if expect.strip() and (count is None or not FIRST <= count <= LAST):
        raise UsageError(
            f"'{expect}' is not a number of units.",
            todo=f"Write {FIRST} to {LAST}, or leave it empty.",
        )
    named = tuple(Probe.read_as(part) for part in also.split(",") if part.strip())
    further = FurtherProbes.of(profiles, named).probes
    return SearchRange(asked, parse_addresses(addresses), count, named, further)


class Less(Enum):
    """What a survey under way may leave out."""

    UNDER_WAY = auto()
    """What is left of the quick look, the line setting or the last probes that it is at."""
    WHERE_NOTHING_WAS_FOUND = auto()
    THE_REST = auto()


class Phase(Enum):
    """What a survey is at."""

    QUICK_LOOK = "Skip the quick look"
    SETTING = "Skip the line setting that is searched now"
    FURTHER = "Leave out coils, inputs and registers of profiles"


def less_to_search(
    phase: Phase, *, first_pass: FirstPassOver | None, found: bool
) -> Sequence[Offered[Less]]:
    """What may be left out now, the likeliest wish first."""
    under_way = Offered(Less.UNDER_WAY, phase.value)
    where_found = Offered(
        Less.WHERE_NOTHING_WAS_FOUND, "Search only at the line settings of the units found"
    )
    rest = Offered(Less.THE_REST, "End the search here", "the units found are still read")
    if first_pass is None or phase is not Phase.SETTING:
        return (under_way, rest) if found else (under_way,)
    return (*([where_found] if first_pass.only_where_found else ()), rest, under_way)


def go_on_with(latest: KeptSurvey) -> Question[bool | None]:
    """Whether to go on with a survey that did not get to its end."""
    return Question[bool | None](
        "Go on where the last survey ended?",
        f"The survey begun {latest.begun} asked for the same and did not get to its end. "
        f"It had found {len(latest.findings)}.",
        (
            Answer("g", "Go on with it", True),
            Answer("n", "A new survey", False),
            Answer("c", "Cancel", None),
        ),
    )


def despite_master(words: str) -> Question[bool]:
    """Whether to go on although another master talks; to stop is the answer of Enter."""
    return Question(
        "! Another master is on this pair",
        f"{words}\n\nTo go on asking disturbs it; plant that depends on it may trip. The safe way:"
        " have it switched off or unplugged by whoever runs it, then survey.",
        (Answer("s", "Stop the survey", False), Answer("g", "Go on, I may do this", True)),
        grave=True,
    )

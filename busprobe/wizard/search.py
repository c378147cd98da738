"""What the survey form asks for, read and estimated."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, LAST, format_addresses, parse_addresses
from busprobe.survey.schedule import Pace, Schedule, common_settings

COMMON = "common"
"""Stands for all common settings in the form."""


@dataclass(frozen=True)
class Search:
    """Settings in the order they are tried, addresses, and how many units to expect (None if unknown)."""

    settings: tuple[LineSettings, ...]
    addresses: tuple[int, ...]
    expect: int | None

    @property
    def seconds(self) -> float:
        """How long it takes if nobody is found."""
        return Schedule.plan(self.settings, self.addresses).seconds_left(Pace())

    @property
    def words(self) -> str:
        """What is searched, in one phrase."""
        count = len(self.settings)
        settings = str(self.settings[0]) if count == 1 else f"{count} settings"
        return f"addresses {format_addresses(self.addresses)} at {settings}"


def read_search(settings: str, addresses: str, expect: str) -> Search:
    """Read the form's texts; raises `UsageError` saying which one cannot be read."""
    if settings.strip().lower() in (COMMON, ""):
        asked = common_settings()
    else:
        asked = tuple(dict.fromkeys(LineSettings.parse(part) for part in settings.split(",") if part.strip()))
    count = int(expect) if expect.strip().isdigit() else None
    if expect.strip() and (count is None or not FIRST <= count <= LAST):
        raise UsageError(f"'{expect}' is not a number of units.", todo=f"Write {FIRST} to {LAST}, or leave it empty.")
    return Search(asked, parse_addresses(addresses), count)

"""What an endurance run is asked to be, read."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.errors import UsageError

_LONGEST_MINUTES, _LONGEST_PAUSE = 100_000.0, 60.0
"""Minutes of a run, and seconds before a request: more is a slip of the finger."""

_LOWEST_PERCENT = 0.001
"""Takes 300,000 polls, an hour and more at 9600 baud."""


@dataclass(frozen=True)
class RunOrder:
    """How long a run is to be; None where that does not end it."""

    rounds: int | None
    minutes: float | None
    pause: float
    """Seconds before each request."""

    @property
    def possible(self) -> bool:
        """Whether a run can be like that."""
        return (
            (self.rounds is None or self.rounds > 0)
            and (self.minutes is None or 0 < self.minutes < _LONGEST_MINUTES)
            and 0 <= self.pause <= _LONGEST_PAUSE
        )


def read_percent(text: str) -> float:
    """An error rate in percent; raises `UsageError`."""
    try:
        percent = float(text.replace(",", "."))
    except ValueError:
        percent = 0.0
    if not _LOWEST_PERCENT <= percent < 100:
        raise UsageError(f"The error rate is a number from {_LOWEST_PERCENT:g} to 100, in percent.")
    return percent


def read_run(rounds: str, minutes: str, pause_ms: str) -> RunOrder:
    """Read the fields of the step; raises `UsageError`."""
    if not rounds and not minutes:
        raise UsageError("Say how many rounds or minutes.")
    try:
        order = RunOrder(
            int(rounds) if rounds else None,
            float(minutes) if minutes else None,
            float(pause_ms or 0) / 1000,
        )
    except ValueError:
        order = None
    if order is None or not order.possible:
        raise UsageError("Rounds, minutes and pause are numbers above 0.")
    return order

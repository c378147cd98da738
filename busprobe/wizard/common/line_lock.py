"""One piece of work on the line at a time, told in words.

The pair can carry one exchange at a time, so two workers on one line would take each other's
replies.  It is used from the screen's own thread only: it is claimed before a worker starts
and given back when its end is reported.
"""

from __future__ import annotations

from busprobe.errors import RefusedError


class LineLock:
    """Says which work has the line."""

    def __init__(self) -> None:
        self._holder = ""

    @property
    def holder(self) -> str:
        """What has the line now, in words (``the survey``); empty if nothing has."""
        return self._holder

    def claim(self, work: str) -> None:
        """Take the line for `work`; raises `RefusedError` naming what has it."""
        if self._holder:
            raise RefusedError(
                f"The line is in use: {self._holder} is running.",
                means=f"To start {work} now would mix up the replies.",
                todo=f"Wait until {self._holder} has ended, or stop it in its own step first.",
            )
        self._holder = work

    def release(self) -> None:
        """Give the line back."""
        self._holder = ""

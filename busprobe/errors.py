"""The few errors a user can meet, and the exit codes of the commands.

Every error carries three sentences: what happened, what it means and what to do next.  The same
object is shown as a panel in the wizard, as one line on stderr, and decides the exit code.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Literal


class ExitCode(IntEnum):
    """What a command's exit code says (see ``busprobe --help``)."""

    DONE = 0
    """Done and sound."""
    ATTENTION = 1
    """Done, but something needs attention: a clash, a missing unit, a failed proof."""
    USAGE = 2
    """Wrong usage, or a file that cannot be used."""
    PORT_FAILED = 3
    """The port could not be opened, or failed while in use."""
    REFUSED = 4
    """Refused, because it would not be safe."""
    NOT_VERIFIED = 5
    """A write was sent and what became of it could not be verified."""


class BusprobeError(Exception):
    """Base of all errors shown to a user; never raised itself."""

    exit_code = ExitCode.USAGE

    def __init__(self, what: str, *, means: str = "", todo: str = "") -> None:
        self.what = what
        """What happened, one sentence."""
        self.means = means
        """What it means for the job, one sentence; may be empty where `what` says it."""
        self.todo = todo
        """The next thing to do, one sentence."""
        super().__init__(" ".join(part for part in (what, means, todo) if part))


class UsageError(BusprobeError):
    """What was asked for cannot be: a malformed setting, address set or name."""


class PortError(BusprobeError):
    """The port cannot be opened or has failed: missing, not permitted, in use, unplugged."""

    exit_code = ExitCode.PORT_FAILED


class RefusedError(BusprobeError):
    """A guard said no: going on would not be safe."""

    exit_code = ExitCode.REFUSED


class StoppedError(BusprobeError):
    """Stopped by whoever is at the screen, before anything was written."""

    exit_code = ExitCode.ATTENTION

    def __init__(self) -> None:
        super().__init__("Stopped by you; nothing was sent that changes a unit.")


class InterruptedCommandError(BusprobeError):
    """A command ended by Ctrl-C, at whatever moment."""

    exit_code = ExitCode.ATTENTION

    def __init__(self) -> None:
        super().__init__(
            "Stopped by Ctrl-C.",
            means="What was found until now is kept where a job file was given.",
            todo="If a write was under way, 'busprobe recover' tells where its unit is.",
        )


@dataclass(frozen=True, kw_only=True)
class ErrorDocument:
    """What a command with ``--json`` prints that has failed before it had a document."""

    format: Literal["busprobe.error/1"] = "busprobe.error/1"
    what: str
    means: str
    todo: str
    exit_code: int


@dataclass(frozen=True)
class Mistake:
    """One mistake in a file somebody wrote."""

    where: str
    """Place inside the file: ``points.3.scale``, ``line 12``; empty for the file as a whole."""
    what: str
    """What is wrong there and what would be right."""

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" if self.where else self.what


SHOWN = 20
"""Mistakes of a file that are shown; nobody mends more at a time."""


def shown_mistakes(mistakes: Sequence[Mistake]) -> tuple[str, ...]:
    """The first `SHOWN` mistakes in words, and how many more there are."""
    more = len(mistakes) - SHOWN
    shown = tuple(str(mistake) for mistake in mistakes[:SHOWN])
    return (*shown, f"and {more} more") if more > 0 else shown


class FileError(BusprobeError):
    """A profile, scenario, plan or job file cannot be used; lists all its mistakes at once."""

    def __init__(
        self, path: str, mistakes: Sequence[Mistake], *, kind: str, todo: str = ""
    ) -> None:
        self.path = path
        self.mistakes = tuple(mistakes)
        count = len(self.mistakes)
        listed = "; ".join(shown_mistakes(self.mistakes))
        super().__init__(
            f"The {kind} {path} cannot be used: {listed}.",
            means="" if count == 1 else f"{count} mistakes in all.",
            todo=todo or "Correct the file and try again.",
        )

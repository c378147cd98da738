"""What a command leaves for whoever looks into a failure: messages (``--verbose``, ``--log``) and
every byte of the line (``--trace``).

Neither disturbs the work: where a file cannot be written any more, that is said at the end.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.cli import output
from busprobe.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from busprobe.cli.log import Log
    from busprobe.line.trace import TraceFile

OPTIONS = ("--verbose", "--log", "--trace")
"""They are the program's, and stand before the command."""


class _Kept:
    """What is kept of the command that runs; there is one at a time."""

    verbose = False
    log: Log | None = None
    trace: TraceFile | None = None


_kept = _Kept()


def begin(*, verbose: bool, log_file: Path | None, trace_file: Path | None) -> None:
    """Keep what was asked for from now on; raises `FileError` where that cannot be done."""
    _kept.verbose = verbose
    if verbose or log_file is not None:
        from busprobe.cli.log import Log

        _kept.log = Log(log_file, verbose=verbose)
    if trace_file is not None:
        from busprobe.line import trace

        _kept.trace = trace.TraceFile(trace_file)
        trace.write_to(_kept.trace)


def check_screen() -> None:
    """A screen is about to be drawn; raises `UsageError` where messages would be written on it."""
    if _kept.verbose:
        raise UsageError(
            "The wizard draws on the screen that --verbose writes on.",
            todo="Use --log FILE instead.",
        )


def note(error: Exception) -> None:
    """Keep that the command ends with `error`."""
    if _kept.log is not None:
        _kept.log.error(error)


def end(code: int) -> int:
    """The command ends with this exit code: close what is kept, and say what of it is missing.

    Returns the exit code, which is no good end where something is missing.
    """
    global _kept
    kept, _kept = _kept, _Kept()
    missing = []
    if kept.trace is not None:
        from busprobe.line import trace

        trace.write_to(None)
        kept.trace.close()
        if kept.trace.trouble is not None:
            missing.append(f"The trace ends early: {kept.trace.trouble}")
    if kept.log is not None:
        kept.log.close(code)
        if kept.log.trouble is not None:
            missing.append(f"The log ends early: {kept.log.trouble}")
    for told in missing:
        output.say(told)
    return code if code or not missing else ExitCode.ATTENTION

"""How a command is ended from outside: by a signal, or because its output cannot be written.

Both end a command at once, unless it says what is to be done instead, and never between a write to
a unit and its place in the journal: then the write is finished first.  A second signal ends it
whatever it does.
"""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

from busprobe.errors import ExitCode, UsageError
from busprobe.files.reading import reason

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
"""Those of them that the system has; each ends a program unless it is handled."""
_OF_OUTPUT = (errno.ENOSPC, errno.EDQUOT, errno.EPIPE, errno.EIO, errno.EBADF)
_CLOSED_PIPE = 13
"""Number of the signal that a closed pipe stands for (POSIX: SIGPIPE)."""
_BY_SIGNAL = 128
"""Exit codes of programs that a signal has ended begin here (common practice of shells)."""


class _Asked:
    """What has been asked of the command that runs; there is one at a time."""

    def __init__(self) -> None:
        self.signal: int | None = None
        self.output: OSError | None = None
        self.instead: list[Callable[[], None]] = []
        self.writing = False

    @property
    def anything(self) -> bool:
        return self.signal is not None or self.output is not None


_asked = _Asked()


def begin() -> None:
    """A command begins, and nothing is asked of it."""
    _asked.__init__()  # type: ignore[misc]


def heed_signals() -> None:
    """From now on signals end the program as this module says."""
    for name in _SIGNALS:
        if (number := getattr(signal, name, None)) is not None:
            signal.signal(number, _signalled)


def _signalled(number: int, _: FrameType | None) -> None:
    again = _asked.anything
    _asked.signal = number
    if again or not (_asked.writing or _asked.instead):
        raise KeyboardInterrupt
    if _asked.writing:
        # Through no stream: the signal may have come while one was being written to.
        with suppress(OSError):
            os.write(2, b"\nEnding once the write under way is on record; once more: at once.\n")
    if _asked.instead:
        _asked.instead[-1]()


def is_output(error: OSError) -> bool:
    """Whether an error of the system is one of writing to where output goes, not to a file."""
    # Windows says EINVAL of a pipe that is closed (from memory).
    closed = sys.platform == "win32" and error.errno == errno.EINVAL
    return error.filename is None and (closed or error.errno in _OF_OUTPUT)


def output_failed(error: OSError) -> None:
    """Output could not be written: raises `UsageError`, unless the work is to end by itself."""
    first = not _asked.anything
    _asked.output = _asked.output or error
    if not (_asked.writing or _asked.instead):
        raise unwritable(error)
    if first and _asked.instead:
        _asked.instead[-1]()


def unwritable(error: OSError) -> UsageError:
    """The error for output that cannot be written."""
    return UsageError(
        f"The output cannot be written; {reason(error)}.",
        todo="Make room for it, or send it elsewhere.",
    )


@contextmanager
def on_stop(action: Callable[[], None]) -> Iterator[None]:
    """Let the first request to end do `action`, so that what runs can end by itself."""
    _asked.instead.append(action)
    try:
        yield
    finally:
        _asked.instead.pop()


def hold() -> None:
    """A write to a unit begins: it is finished before anything ends the command."""
    _asked.writing = True


def release() -> None:
    """No write is under way; what was asked meanwhile ends the command now.

    Raises KeyboardInterrupt or `UsageError` for that.
    """
    _asked.writing = False
    if _asked.signal is not None:
        raise KeyboardInterrupt
    if _asked.output is not None:
        raise unwritable(_asked.output)


def exit_code(code: int) -> int:
    """The exit code of a command that would end with `code`, by what was asked of it."""
    if isinstance(_asked.output, BrokenPipeError):
        return _BY_SIGNAL + _CLOSED_PIPE
    if _asked.signal not in (None, signal.SIGINT):  # a terminal that is closed is written to, too
        return _BY_SIGNAL + (_asked.signal or 0)
    return code if _asked.output is None else ExitCode.USAGE


def output_trouble() -> OSError | None:
    """Why output could not be written, if any could not."""
    return _asked.output

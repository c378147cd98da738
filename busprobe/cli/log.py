"""The log of a command: the messages of all rooms, in a file or on stderr.

Imported only where a log is asked for.
"""

from __future__ import annotations

import logging
import platform
import sys
from pathlib import Path

from busprobe import __version__
from busprobe.cli import output
from busprobe.errors import BusprobeError, FileError, Mistake
from busprobe.files.reading import reason
from busprobe.text import harmless

_FORMAT = "%(asctime)s.%(msecs)03d %(name)s: %(message)s"
_TIME = "%Y-%m-%d %H:%M:%S"


class Log:
    """What the rooms of busprobe log, from now until `close`."""

    def __init__(self, path: Path | None, *, verbose: bool) -> None:
        """Add to the file at `path`, and with `verbose` say it on stderr; raises `FileError`."""
        self._logger = logging.getLogger("busprobe")
        self._file = None if path is None else _file_at(path)
        said: list[logging.Handler] = [_Said()] if verbose else []
        self._handlers = [*said, *([self._file] if self._file else [])]
        for handler in self._handlers:
            handler.setFormatter(_Harmless(_FORMAT, _TIME))
            self._logger.addHandler(handler)
        self._logger.setLevel(logging.DEBUG)
        system = f"Python {platform.python_version()} on {platform.platform()}"
        self._logger.info("busprobe %s, %s; arguments: %s", __version__, system, sys.argv[1:])

    @property
    def trouble(self) -> Exception | None:
        """Why the file could not be written to, where that was so."""
        return self._file.trouble if self._file else None

    def error(self, error: Exception) -> None:
        """Log that the command ended with `error`; a fault of the program with its whole way."""
        foreseen = isinstance(error, BusprobeError)
        self._logger.error("%s", error, exc_info=None if foreseen else error)

    def close(self, code: int) -> None:
        """Log the exit code and end."""
        self._logger.info("exit code %d", code)
        self._logger.setLevel(logging.NOTSET)
        for handler in self._handlers:
            self._logger.removeHandler(handler)
            handler.close()


class _Harmless(logging.Formatter):
    """One line a message, whatever a unit put into it; a traceback has lines of its own."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 - logging's name
        record.message = harmless(record.message)
        return super().formatMessage(record)

    def formatException(self, ei: object) -> str:  # noqa: N802 - logging's name
        lines = super().formatException(ei).split("\n")  # type: ignore[arg-type]
        return "\n".join(map(harmless, lines))


class _Said(logging.Handler):
    """Says messages on stderr."""

    def emit(self, record: logging.LogRecord) -> None:
        for line in self.format(record).split("\n"):
            output.say(line)


class _Written(logging.FileHandler):
    """Writes messages to a file, and never disturbs what they are about."""

    trouble: Exception | None = None

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: ARG002, N802 - logging's name
        error = sys.exc_info()[1]
        if isinstance(error, Exception):
            self.trouble = self.trouble or error

    def close(self) -> None:
        try:
            super().close()
        except OSError as error:  # what could not be written before
            self.trouble = self.trouble or error


def _file_at(path: Path) -> _Written:
    try:
        return _Written(path, encoding="utf-8", errors="backslashreplace")
    except (OSError, ValueError) as error:
        what = f"it cannot be written; {reason(error)}"
        raise FileError(
            str(path), [Mistake("", what)], kind="log", todo="Name another place."
        ) from error

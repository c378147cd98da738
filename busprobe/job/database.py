"""One SQLite file, safe against a crash at any moment and usable from several threads.

Every transaction is on the disk when it ends: ``synchronous=EXTRA`` also syncs the folder after the
rollback journal is deleted, without which a power cut could bring the journal back and undo a
finished transaction (SQLite documentation, "PRAGMA synchronous").  The rollback journal is kept
rather than a write-ahead log so that a job is one file that can be copied.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from busprobe.errors import FileError, Mistake
from busprobe.files.reading import obstacle, reason
from busprobe.job.damage import damage
from busprobe.job.migrations import APPLICATION_ID, MIGRATIONS, migrate, pragma, transaction

BUSY_SECONDS = 5.0
"""How long to wait for another program that is writing to the same file."""

_RESCUE = "Save what can be read of it into a new file with 'busprobe job rescue'."

_FAILURES = {
    sqlite3.SQLITE_BUSY: (
        "another program is writing to it",
        "Close the other program and try again.",
    ),
    sqlite3.SQLITE_LOCKED: (
        "another program is writing to it",
        "Close the other program and try again.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "it is not a job file",
        "Choose a file that busprobe made, or a new name.",
    ),
    sqlite3.SQLITE_READONLY_DBMOVED: (
        "it was moved or deleted while it was open",
        "Put it back where it was.",
    ),
    sqlite3.SQLITE_READONLY: (
        "it may only be read, not written",
        "Allow writing to the file and its folder.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened",
        "Check that the file and its folder may be read and written.",
    ),
    sqlite3.SQLITE_FULL: ("the disk is full", "Make room on the disk and try again."),
    sqlite3.SQLITE_IOERR: (
        "the disk or drive reports an error",
        "Copy the file to another drive and open it there.",
    ),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", _RESCUE),
}
"""What SQLite's result codes mean to the person in front of the screen, and what to do."""


class Database:
    """An open job file: the connection, its lock, and plain words for what SQLite complains
    about."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection: sqlite3.Connection | None = connection
        self._lock = threading.RLock()

    @classmethod
    def create(cls, path: Path, fill: Callable[[sqlite3.Connection], None]) -> Database:
        """Make a new file aside, let `fill` write its first rows, move it to `path` and open it.

        Raises `FileError` where something is in the way or the folder cannot be written.
        """
        if os.path.lexists(path):
            raise file_error(
                path,
                "there is a file of that name already",
                "Open that one, or choose another name.",
            )
        aside = path.with_name(f".{path.name}.{os.getpid()}.new")
        try:
            with _plain_words(path):
                connection = _connect(aside)
                try:
                    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    migrate(connection, MIGRATIONS)
                    with transaction(connection):
                        fill(connection)
                finally:
                    connection.close()
            aside.replace(path)
        except (OSError, ValueError) as error:  # ValueError: a name that no file can have
            raise file_error(
                path, f"it cannot be made; {reason(error)}", "Choose another name or folder."
            ) from None
        finally:
            with suppress(OSError, ValueError):
                aside.unlink()
        return cls.open(path)

    @classmethod
    def open(cls, path: Path) -> Database:
        """Open an existing job file and bring its tables up to date.

        Raises `FileError` where it is missing, is no job file, is damaged, or was made by a newer
        busprobe.
        """
        if wrong := obstacle(path):
            raise file_error(path, wrong, "Check the name, or start a new job.")
        with _plain_words(path):
            connection = _connect(path)
            try:
                if pragma(connection, "application_id") != APPLICATION_ID:
                    raise file_error(path, *_FAILURES[sqlite3.SQLITE_NOTADB])
                version = pragma(connection, "user_version")
                if version > len(MIGRATIONS):
                    raise file_error(
                        path,
                        f"it was made by a newer busprobe (version {version} of the file, this one"
                        f" knows up to {len(MIGRATIONS)})",
                        "Open it with a busprobe at least as new as the one that made it.",
                    )
                _update(connection, path)
                if mistakes := list(damage(connection, MIGRATIONS)):
                    raise FileError(str(path), mistakes, kind="job file", todo=_RESCUE)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """All statements inside together or none, on disk at the end; other threads wait
        meanwhile.

        Inside another transaction of the same thread, it becomes a part of that one.
        """
        with self._held() as connection, transaction(connection):
            yield connection

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Statements inside see one and the same state; works on a file that may only be read."""
        with self._held() as connection, transaction(connection, "BEGIN"):
            yield connection

    @contextmanager
    def _held(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _plain_words(self.path):
            if self._connection is None:
                raise file_error(self.path, "it has been closed", "Open the job again.")
            yield self._connection

    def close(self) -> None:
        """Close the file; closing twice is harmless."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None


def file_error(path: Path, what: str, todo: str) -> FileError:
    """The error for a job file as a whole."""
    return FileError(str(path), [Mistake("", what)], kind="job file", todo=todo)


def damaged(path: Path, what: str) -> FileError:
    """The error for a job file of which a part is not as busprobe writes it."""
    return file_error(path, what, _RESCUE)


def storable(text: str) -> str:
    """Text that SQLite can keep: a lone surrogate (an undecodable byte of a command line) is
    written out."""
    return text.encode("utf-8", "backslashreplace").decode()


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )
    connection.row_factory = sqlite3.Row
    connection.text_factory = _text
    try:
        # A file from somebody else may bring programs of its own (SQLite, "Defense Against The
        # Dark Arts").
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.execute("PRAGMA synchronous = EXTRA")
        connection.execute("PRAGMA foreign_keys = ON")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


def _text(raw: bytes) -> str:
    return raw.decode()


def _update(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the tables of an older file up to date; raises `FileError` where what is in them is
    not what busprobe wrote then."""
    try:
        migrate(connection, MIGRATIONS)
    except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError) as error:
        raise damaged(path, f"its older entries cannot be read ({error!r})") from error
    except (ValueError, sqlite3.IntegrityError) as error:
        raise damaged(path, f"its older entries cannot be read ({error})") from error


@contextmanager
def _plain_words(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into a `FileError`; a programming mistake stays one."""
    try:
        yield
    except (sqlite3.ProgrammingError, sqlite3.IntegrityError):
        raise
    except UnicodeDecodeError as error:
        raise damaged(path, "a text in it is not UTF-8") from error
    except sqlite3.DatabaseError as error:
        extended = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
        code = extended if extended in _FAILURES else extended & 0xFF  # the plain code below it
        what, todo = _FAILURES.get(code, (f"SQLite reports: {error}", _RESCUE))
        raise file_error(path, what, todo) from error

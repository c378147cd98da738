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
from busprobe.job.migrations import APPLICATION_ID, MIGRATIONS

BUSY_SECONDS = 5.0
"""How long to wait for another program that is writing to the same file."""

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
    sqlite3.SQLITE_CORRUPT: (
        "it is damaged",
        "Go on with a copy made earlier, or with a new job file.",
    ),
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
                    _migrate(connection)
                    with _transaction(connection):
                        fill(connection)
                finally:
                    connection.close()
            aside.replace(path)
        except OSError as error:
            raise file_error(
                path, f"it cannot be made ({error.strerror})", "Choose another folder."
            ) from None
        finally:
            with suppress(OSError):
                aside.unlink()
        return cls.open(path)

    @classmethod
    def open(cls, path: Path) -> Database:
        """Open an existing job file and bring its tables up to date.

        Raises `FileError` where it is missing, is no job file, is damaged, or was made by a newer
        busprobe.
        """
        if not path.is_file():
            what = "it is a folder" if path.is_dir() else "there is no such file"
            raise file_error(path, what, "Check the name, or start a new job.")
        with _plain_words(path):
            connection = _connect(path)
            try:
                if _pragma(connection, "application_id") != APPLICATION_ID:
                    raise file_error(path, *_FAILURES[sqlite3.SQLITE_NOTADB])
                version = _pragma(connection, "user_version")
                if version > len(MIGRATIONS):
                    raise file_error(
                        path,
                        f"it was made by a newer busprobe (version {version} of the file, this one"
                        f" knows up to {len(MIGRATIONS)})",
                        "Open it with a busprobe at least as new as the one that made it.",
                    )
                _migrate(connection)
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
        with self._held() as connection, _transaction(connection):
            yield connection

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Statements inside see one and the same state; works on a file that may only be read."""
        with self._held() as connection, _transaction(connection, "BEGIN"):
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


def storable(text: str) -> str:
    """Text that SQLite can keep: a lone surrogate (an undecodable byte of a command line) is
    written out."""
    return text.encode("utf-8", "backslashreplace").decode()


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
    )
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA synchronous = EXTRA")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def _migrate(connection: sqlite3.Connection) -> None:
    """Run the missing steps, each together with its version number in one transaction."""
    for version, statements in enumerate(MIGRATIONS, start=1):
        if _pragma(connection, "user_version") >= version:
            continue
        with _transaction(connection):
            if _pragma(connection, "user_version") >= version:  # another program was quicker
                continue
            for statement in statements:
                if isinstance(statement, str):
                    connection.execute(statement)
                else:
                    statement(connection)
            connection.execute(f"PRAGMA user_version = {version}")


@contextmanager
def _transaction(connection: sqlite3.Connection, begin: str = "BEGIN IMMEDIATE") -> Iterator[None]:
    inner = connection.in_transaction  # of this thread: whoever gets here holds the lock
    connection.execute("SAVEPOINT part" if inner else begin)
    try:
        yield
        connection.execute("RELEASE part" if inner else "COMMIT")
    except BaseException:
        with suppress(sqlite3.Error):  # SQLite has rolled back by itself after some failures
            connection.execute("ROLLBACK TO part" if inner else "ROLLBACK")
            if inner:
                connection.execute("RELEASE part")
        raise


@contextmanager
def _plain_words(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into a `FileError`; a programming mistake stays one."""
    try:
        yield
    except (sqlite3.ProgrammingError, sqlite3.IntegrityError):
        raise
    except sqlite3.DatabaseError as error:
        extended = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
        code = extended if extended in _FAILURES else extended & 0xFF  # the plain code below it
        what, todo = _FAILURES.get(
            code, (f"SQLite reports: {error}", "Go on with a copy, or with a new job file.")
        )
        raise file_error(path, what, todo) from error

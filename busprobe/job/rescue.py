"""What can be saved of a damaged job file, in a new one."""

from __future__ import annotations

import os
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from busprobe.errors import FileError, Mistake
from busprobe.files.placing import narrow
from busprobe.files.reading import obstacle
from busprobe.job.damage import tables_of
from busprobe.job.database import file_error
from busprobe.job.job import Job
from busprobe.job.migrations import MIGRATIONS, migrate, pragma

_ORDER = (
    "about",
    "survey",
    "finding",
    "unit",
    "write",
    "planned_step",
    "conclusion",
    "record",
    "state",
)
"""Tables whose entries others refer to come before these."""

_FIRST = -(2**63)
"""No row has a number below."""

_Row = tuple[int, tuple[object, ...]]
"""Its number in its table, and its cells."""


@dataclass(frozen=True)
class Rescued:
    """What became of a damaged file."""

    entries: Mapping[str, int]
    """How many entries of each table are in the new file."""
    lost: tuple[Mistake, ...]
    """What is not, each with its place and what is wrong with it."""


def rescue(path: Path, into: Path, check: Callable[[Job], None]) -> Rescued:
    """Copy all that can be read of the job file at `path` into a new one at `into`.

    `check` raises `FileError` where anything in a job cannot be used; an entry with which it does
    so is left out.  The damaged file is not touched.  Raises `FileError` where nothing in it can be
    read, or the new one cannot be made.
    """
    if wrong := obstacle(path):
        raise file_error(path, wrong, "Check the name.")
    if os.path.lexists(into):
        raise file_error(into, "there is a file of that name already", "Choose another name.")
    with TemporaryDirectory(prefix="busprobe-", ignore_cleanup_errors=True) as folder:
        copy = Path(folder) / "damaged.busjob"
        for suffix in ("", "-journal"):  # of a transaction that was cut off
            with suppress(FileNotFoundError):
                shutil.copyfile(f"{path}{suffix}", f"{copy}{suffix}")
        with closing(sqlite3.connect(copy, isolation_level=None)) as source:
            source.text_factory = bytes
            lost, current = _brought_up_to_date(source, path, Path(folder) / "current.busjob")
        with closing(sqlite3.connect(current, isolation_level=None)) as source:
            source.text_factory = bytes
            made = Path(folder) / "made.busjob"
            Job.create(made).close()
            with Job.open(made) as job, closing(sqlite3.connect(made, isolation_level=None)) as new:
                new.execute("PRAGMA foreign_keys = ON")
                entries = _fill(source, new, lost, lambda: check(job))
        _place(made, into, stat.S_IMODE(path.stat().st_mode) | stat.S_IRUSR | stat.S_IWUSR)
    return Rescued(entries, tuple(lost))


def _brought_up_to_date(
    source: sqlite3.Connection, path: Path, current: Path
) -> tuple[list[Mistake], Path]:
    """A file of the version of today with what has the right form, and what has not."""
    lost: list[Mistake] = []
    try:
        version = pragma(source, "user_version")
    except sqlite3.DatabaseError as error:
        todo = "Go on with a copy made earlier, or with a new job file."
        raise file_error(path, f"nothing in it can be read ({error})", todo) from error
    steps = MIGRATIONS[:version] if 0 < version <= len(MIGRATIONS) else MIGRATIONS
    with closing(sqlite3.connect(current, isolation_level=None)) as new:
        new.row_factory = sqlite3.Row
        migrate(new, steps)
        for table, columns in tables_of(steps).items():
            for row in _sound_rows(source, table, columns, lost):
                _insert(new, table, list(columns), row)
        try:
            migrate(new, MIGRATIONS)
        except (AttributeError, LookupError, TypeError, ValueError, sqlite3.Error) as error:
            what = f"its entries are of an earlier version and damaged ({error})"
            raise file_error(path, what, "Go on with a copy made earlier.") from error
    return lost, current


def _fill(
    source: sqlite3.Connection,
    new: sqlite3.Connection,
    lost: list[Mistake],
    check: Callable[[], None],
) -> dict[str, int]:
    """Put in what leaves the job usable; the number of entries of each table."""
    entries = {}
    for table in _ORDER:
        columns = tables_of(MIGRATIONS)[table]
        rows = list(_sound_rows(source, table, columns, lost))
        put = partial(_put, new, table, list(columns), check)
        entries[table] = len(rows) - _without(rows, put, table, lost)
    return entries


def _without(
    rows: Sequence[_Row], put: Callable[[Sequence[_Row]], str], table: str, lost: list[Mistake]
) -> int:
    """Put rows in, by halves where one of them cannot be; how many were left out."""
    wrong = put(rows)
    if not wrong:
        return 0
    if len(rows) == 1:
        lost.append(Mistake(f"table {table}, row {rows[0][0]}", wrong))
        return 1
    half = len(rows) // 2
    return _without(rows[:half], put, table, lost) + _without(rows[half:], put, table, lost)


def _put(
    new: sqlite3.Connection,
    table: str,
    columns: Sequence[str],
    check: Callable[[], None],
    rows: Sequence[_Row],
) -> str:
    """Put rows in, or say why not all of them can be."""
    new.execute("BEGIN")
    try:
        for row in rows:
            _insert(new, table, columns, row)
    except sqlite3.IntegrityError as error:
        new.execute("ROLLBACK")
        return f"it belongs to an entry that is lost ({error})"
    new.execute("COMMIT")
    try:
        check()
    except FileError as error:
        new.executemany(
            f"DELETE FROM {table} WHERE rowid = ?",  # noqa: S608 - our own names
            [(number,) for number, _ in rows],
        )
        return "; ".join(str(mistake) for mistake in error.mistakes)
    return ""


def _insert(connection: sqlite3.Connection, table: str, columns: Sequence[str], row: _Row) -> None:
    number, cells = row
    marks = ", ".join("?" * (len(columns) + 1))
    connection.execute(
        f"INSERT OR REPLACE INTO {table} (rowid, {', '.join(columns)}) VALUES ({marks})",  # noqa: S608 - our own names
        (number, *cells),
    )


def _sound_rows(
    source: sqlite3.Connection, table: str, columns: Mapping[str, str], lost: list[Mistake]
) -> Iterator[_Row]:
    """The rows of a table whose cells are of the kinds of their columns; the others are lost."""
    try:
        named = source.execute("SELECT name FROM pragma_table_info(?)", (table,)).fetchall()
        there = [name.decode() for (name,) in named]
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        lost.append(Mistake(f"table {table}", f"cannot be read ({error})"))
        return
    if missing := [column for column in columns if column not in there]:
        what = f"has no column {', '.join(missing)}" if there else "is missing"
        lost.append(Mistake(f"table {table}", what))
        return
    cells = ", ".join(f"typeof({column}), {column}" for column in columns)
    for number, row in _rows(source, table, cells, lost):
        sound: list[object] = []
        for (column, kind), stored, value in zip(columns.items(), row[::2], row[1::2], strict=True):
            try:
                if stored.decode() not in (kind, "null"):
                    raise ValueError(f"holds something else than {kind}")
                sound.append(value.decode() if kind == "text" and value is not None else value)
            except ValueError as error:
                place = f"table {table}, row {number}, column {column}"
                lost.append(Mistake(place, str(error)))
                break
        else:
            yield number, tuple(sound)


def _rows(
    source: sqlite3.Connection, table: str, cells: str, lost: list[Mistake]
) -> Iterator[tuple[int, Sequence[bytes]]]:
    """All rows that can be read, from the first to a damaged place and from the last back to it."""
    query = f"SELECT rowid, {cells} FROM {table} ORDER BY rowid"  # noqa: S608 - our own names
    reached = _FIRST
    try:
        for number, *row in source.execute(query):
            yield number, row
            reached = number
    except sqlite3.DatabaseError as error:
        after = "" if reached == _FIRST else f" after row {reached}"
        lost.append(Mistake(f"table {table}", f"is damaged{after} ({error})"))
        with suppress(sqlite3.DatabaseError):
            for number, *row in source.execute(f"{query} DESC"):
                if number <= reached:
                    break
                yield number, row


def _place(made: Path, into: Path, mode: int) -> None:
    """Give the new file its name and no more permissions than `mode`; it is copied beside first,
    since it may be on another disk."""
    aside = into.with_name(f".{into.name}.{os.getpid()}.new")
    try:
        aside.touch()
        narrow(aside, mode)
        shutil.copyfile(made, aside)
        aside.replace(into)
    except (OSError, ValueError) as error:
        raise file_error(into, f"it cannot be made ({error})", "Choose another name.") from error
    finally:
        with suppress(OSError, ValueError):
            aside.unlink()

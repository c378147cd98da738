"""Whether the tables of a file are those of a job file, and what of them is damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from functools import cache

from busprobe.errors import Mistake
from busprobe.job.migrations import Statement, migrate

_KINDS = {"TEXT": "text", "INTEGER": "integer", "REAL": "real", "BLOB": "blob"}
"""What SQLite calls a value of a column of the type that it was declared with."""


@cache
def tables_of(steps: tuple[tuple[Statement, ...], ...]) -> Mapping[str, Mapping[str, str]]:
    """The tables that these migrations make: their columns, each with the kind of its values."""
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.row_factory = sqlite3.Row
        migrate(connection, steps)
        return {name: _columns(connection, name) for name in _names(connection)}


def damage(
    connection: sqlite3.Connection, steps: tuple[tuple[Statement, ...], ...]
) -> Iterator[Mistake]:
    """What in a file that these migrations made is not as busprobe makes it: programs, missing
    tables and columns, cells that hold another kind of value than their column."""
    strangers = connection.execute(
        "SELECT type, name FROM sqlite_master WHERE type IN ('trigger', 'view')"
    )
    for row in strangers.fetchall():
        yield Mistake(f"{row['type']} {row['name']}", "no job file has any")
    present = set(_names(connection))
    for name, columns in tables_of(steps).items():
        if name not in present:
            yield Mistake(f"table {name}", "is missing")
            continue
        there = _columns(connection, name)
        for column, kind in columns.items():
            if column not in there:
                yield Mistake(f"table {name}", f"has no column {column}")
                continue
            strange = connection.execute(
                f"SELECT count(*) AS rows, min(rowid) AS first FROM {name}"  # noqa: S608 - our own names
                f" WHERE typeof({column}) NOT IN (?, 'null')",
                (kind,),
            ).fetchone()
            if strange["rows"]:
                more = strange["rows"] - 1
                yield Mistake(
                    f"table {name}, row {strange['first']}, column {column}",
                    f"holds something else than {kind}" + (f", {more} more rows too" * (more > 0)),
                )


def _names(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
    )
    return [row["name"] for row in rows]


def _columns(connection: sqlite3.Connection, table: str) -> dict[str, str]:
    rows = connection.execute("SELECT name, type FROM pragma_table_info(?)", (table,))
    return {row["name"]: _KINDS.get(row["type"], "") for row in rows}

"""How the tables of a job file came to be, one step a version.

Append only: a step that has been released is never edited, because files made with it exist.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress

APPLICATION_ID = 0x62757370
"""``PRAGMA application_id`` of every job file ("busp" in ASCII); tells it from any other SQLite
file."""

Statement = str | Callable[[sqlite3.Connection], None]
"""SQL, or what SQL cannot say."""

_ROLES = {
    "readdress": "address",
    "line settings": "line-settings",
    "unlock": "unlock",
    "save": "save",
    "relock": "relock",
}
"""Roles by the words with which a write's kind began up to version 3."""

_ROWS = {
    "changed": "changed",
    "changed, reply lost": "reply-lost",
    "changed, although an exception came": "changed-although-refused",
    "found changed": "found-changed",
    "pending": "pending",
    "write not heard or ignored": "unheard",
    "refused by the unit": "unit-refused",
    "both addresses answer": "both",
    "neither address answers": "neither",
    "not clear who answers": "unclear",
    "kept over a power cycle": "kept",
    "kept over a power cycle, with another unit at the old place": "kept-with-another",
    "not accepted": "not-accepted",
    "not kept": "not-kept",
    "write perhaps never sent": "undecided",
}
"""Rows of the outcome table by the words with which a conclusion's reason began up to version 3."""

_NOT_RECOGNISED = "No stored profile fits well enough to say what it is"
"""How a note began up to version 3 that said that a unit was not recognised."""

_DIFFERENT = "other than with its siblings"
"""In every note up to version 3 that said in what a unit differed from others of its type."""


def _type_the_journal(connection: sqlite3.Connection) -> None:
    """Fill the typed columns of the journal from the words that stood for them, for the last time.

    The procedure of a move was a document from its first frame on, where it had more frames than
    one.  The writes of one move had their places in common.
    """
    kept = connection.execute(
        "SELECT document FROM record WHERE step = 'readdress procedure'"
    ).fetchall()
    documents = [json.loads(row["document"]) for row in kept]
    procedures = {document["first_write"]: document["steps"] for document in documents}
    open_moves: dict[tuple[str, str], tuple[int, bool]] = {}
    for row in connection.execute("SELECT * FROM write_of_version_3 ORDER BY id").fetchall():
        kind, _, settings = row["kind"].partition(" to ")
        role = _ROLES[kind]
        source = f"{row['from_address']} {row['settings']}"
        target = f"{row['to_address']} {settings or row['settings']}"
        main = role in ("address", "line-settings")
        move, has_main = open_moves.get((source, target), (row["id"], False))
        if row["id"] in procedures or role == "unlock" or (main and has_main):
            move, has_main = row["id"], False
        open_moves[source, target] = move, has_main or main
        frame = row["request"]
        data = frame[4:6] if frame[1] == 6 else frame[7 : 7 + frame[6]]
        values = [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data), 2)]
        connection.execute(
            "INSERT INTO write VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                row["id"],
                None if move == row["id"] else move,
                row["intended"],
                row["tester"],
                role,
                source,
                target,
                int.from_bytes(frame[2:4], "big"),
                frame[1],
                json.dumps(values),
                frame,
                row["words"],
            ),
        )
    for first, steps in procedures.items():
        for position, step in enumerate(steps):
            connection.execute(
                "INSERT INTO planned_step VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    first,
                    position,
                    _ROLES[step["role"]],
                    f"{step['address']} {step['settings']}",
                    step["register"],
                    step["function"],
                    json.dumps(step["values"]),
                ),
            )
    for row in connection.execute("SELECT * FROM conclusion_of_version_3 ORDER BY id").fetchall():
        connection.execute(
            "INSERT INTO conclusion VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                row["id"],
                row["write"],
                row["made"],
                row["outcome"],
                _ROWS.get(row["why"].partition(": ")[0]),
                row["reply"],
                row["why"],
            ),
        )


def _type_the_notes(connection: sqlite3.Connection) -> None:
    """Keep apart what is replaced by the next identification, which was told by its words."""
    noted = """SELECT * FROM unit WHERE
        CASE WHEN json_valid(document) THEN json_type(document, '$.notes') = 'array' END"""
    for row in connection.execute(noted).fetchall():
        document = json.loads(row["document"])
        notes = document["notes"]
        unknown = [note for note in notes if note.startswith(_NOT_RECOGNISED)]
        different = [note for note in notes if _DIFFERENT in note]
        document["notes"] = [note for note in notes if note not in (*unknown, *different)]
        document["not_recognised"] = " ".join(unknown)
        document["differences"] = different
        connection.execute(
            "UPDATE unit SET document = ? WHERE place = ?", (json.dumps(document), row["place"])
        )


def _tell_where_units_were_found(connection: sqlite3.Connection) -> None:
    """Fill in from the journal where each unit was before this job first moved it.

    Up to version 4 the previous address of a unit that had been put aside was the address at which
    it had waited.
    """
    outcomes = {
        row["write"]: row["outcome"]
        for row in connection.execute("SELECT * FROM conclusion ORDER BY id")
    }
    moves = [
        row
        for row in connection.execute("SELECT * FROM write ORDER BY id DESC")
        if row["role"] in ("address", "aside", "line-settings", "undo")
        and outcomes.get(row["id"]) == "verified"
    ]
    whole = """SELECT * FROM unit WHERE
        CASE WHEN json_valid(document) THEN json_type(document) = 'object' END"""
    for unit in connection.execute(whole).fetchall():
        place = unit["place"]
        hops: list[sqlite3.Row] = []
        for move in moves:
            if move["source"] == place:
                break  # what was here before has left by then: this unit came otherwise
            if move["target"] == place:
                place = move["source"]
                hops.append(move)
        document = {**json.loads(unit["document"]), "as_found": place if hops else None}
        changes = [hop for hop in hops if hop["source"].split()[1] == hop["target"].split()[1]]
        if len(changes) > 1 and changes[1]["role"] == "aside":
            document["previous_address"] = int(changes[1]["source"].split()[0])
        connection.execute(
            "UPDATE unit SET document = ? WHERE place = ?", (json.dumps(document), unit["place"])
        )


def _tell_planned_from_noted(connection: sqlite3.Connection) -> None:
    """Take out of each entry what says the same as the plan: up to version 8 it was put in from the
    plan, and nobody can tell what of it was seen on site.
    """
    kept = connection.execute("SELECT value FROM state WHERE key = 'plan'").fetchone()
    plan = {row["address"]: row for row in json.loads(kept["value"])} if kept else {}
    whole = """SELECT * FROM unit WHERE
        CASE WHEN json_valid(document) THEN json_type(document) = 'object' END"""
    for row in connection.execute(whole).fetchall():
        document = json.loads(row["document"])
        planned = plan.get(int(row["place"].split()[0]), {})
        for name in ("tag", "location", "position", "distance_m", "terminator"):
            if document.get(name) == planned.get(name):
                document[name] = "" if name in ("tag", "location") else None
        document |= {
            "confirmed": None,
            "confirmed_by": "",
            "found_identity": {} if document.get("as_found") else document.get("identity", {}),
        }
        connection.execute(
            "UPDATE unit SET document = ? WHERE place = ?", (json.dumps(document), row["place"])
        )


MIGRATIONS: tuple[tuple[Statement, ...], ...] = (
    (
        "CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
        """CREATE TABLE survey (
            id INTEGER PRIMARY KEY AUTOINCREMENT, begun TEXT NOT NULL, asked TEXT NOT NULL,
            progress TEXT, ended TEXT, document TEXT)""",
        """CREATE TABLE finding (
            survey INTEGER NOT NULL REFERENCES survey, address INTEGER NOT NULL,
            settings TEXT NOT NULL,
            document TEXT NOT NULL, PRIMARY KEY (survey, address, settings))""",
        """CREATE TABLE unit (
            address INTEGER NOT NULL, settings TEXT NOT NULL, document TEXT NOT NULL,
            PRIMARY KEY (address, settings))""",
        """CREATE TABLE write (
            id INTEGER PRIMARY KEY AUTOINCREMENT, intended TEXT NOT NULL, tester TEXT NOT NULL,
            kind TEXT NOT NULL,
            from_address INTEGER, to_address INTEGER, settings TEXT NOT NULL, request BLOB NOT NULL,
            words TEXT NOT NULL)""",
        """CREATE TABLE conclusion (
            id INTEGER PRIMARY KEY AUTOINCREMENT, write INTEGER NOT NULL REFERENCES write,
            made TEXT NOT NULL,
            outcome TEXT NOT NULL, reply BLOB, why TEXT NOT NULL)""",
        """CREATE TABLE record (
            id INTEGER PRIMARY KEY AUTOINCREMENT, step TEXT NOT NULL, made TEXT NOT NULL,
            document TEXT NOT NULL)""",
        "CREATE TABLE state (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
    ),
    (
        # Entries know their distance, terminator, label and what was read off: a program that knows
        # none of these must not take such an entry for a damaged one, hence a version of its own.
        """UPDATE unit SET document = json_insert(
            document, '$.distance_m', NULL, '$.terminator', NULL, '$.label_fitted', NULL,
            '$.noted', json('{}'),
            '$.references', json('{}'))
            WHERE json_valid(document)""",
    ),
    (
        # The same for a kept exchange, for circuits of meters, and for who saw the unit last.
        # Entries of the version before may have the first of these already, and keep it.
        """UPDATE unit SET document = json_insert(
            document, '$.sample', json('[]'), '$.circuits', json('[]'), '$.seen_by', '')
            WHERE json_valid(document)""",
    ),
    (
        # Where a unit is has one text form everywhere, "12 9600-8N1".
        "CREATE TABLE placed (place TEXT PRIMARY KEY, document TEXT NOT NULL)",
        """INSERT INTO placed SELECT address || ' ' || settings,
            CASE WHEN json_valid(document)
            THEN json_set(json_remove(document, '$.address', '$.settings'),
                '$.place', address || ' ' || settings)
            ELSE document END FROM unit""",
        "DROP TABLE unit",
        "ALTER TABLE placed RENAME TO unit",
        _type_the_notes,
        # What is decided on in the journal has columns of its own: what a write is for, where its
        # move leads, what is written, which writes belong together, the row of the outcome table.
        "ALTER TABLE conclusion RENAME TO conclusion_of_version_3",
        "ALTER TABLE write RENAME TO write_of_version_3",
        """CREATE TABLE write (
            id INTEGER PRIMARY KEY AUTOINCREMENT, move INTEGER REFERENCES write,
            intended TEXT NOT NULL, tester TEXT NOT NULL, role TEXT NOT NULL,
            source TEXT NOT NULL, target TEXT NOT NULL,
            register INTEGER NOT NULL, function INTEGER NOT NULL, value_list TEXT NOT NULL,
            request BLOB NOT NULL, words TEXT NOT NULL)""",
        """CREATE TABLE planned_step (
            move INTEGER NOT NULL REFERENCES write, position INTEGER NOT NULL,
            role TEXT NOT NULL, place TEXT NOT NULL,
            register INTEGER NOT NULL, function INTEGER NOT NULL, value_list TEXT NOT NULL,
            PRIMARY KEY (move, position))""",
        """CREATE TABLE conclusion (
            id INTEGER PRIMARY KEY AUTOINCREMENT, write INTEGER NOT NULL REFERENCES write,
            made TEXT NOT NULL, outcome TEXT NOT NULL, row TEXT, reply BLOB, why TEXT NOT NULL)""",
        _type_the_journal,
        "DROP TABLE conclusion_of_version_3",
        "DROP TABLE write_of_version_3",
        "DELETE FROM record WHERE step = 'readdress procedure'",
    ),
    (
        # How polls ended is counted by result alone: all of them are the sum.
        """UPDATE unit SET document = json_remove(document, '$.counters.polls')
            WHERE json_valid(document)""",
    ),
    (
        # What the register of a write held before it, and when its outcome was told; where each
        # unit was found.
        "ALTER TABLE write ADD COLUMN held INTEGER",
        "ALTER TABLE conclusion ADD COLUMN holds INTEGER",
        _tell_where_units_were_found,
    ),
    (
        # How long a unit stays unlocked after a step by itself.
        "ALTER TABLE planned_step ADD COLUMN lasts_s REAL",
    ),
    (
        # Which of several registers a write is about, where others are only written with it.
        "ALTER TABLE write ADD COLUMN about INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE planned_step ADD COLUMN about INTEGER NOT NULL DEFAULT 0",
    ),
    (
        # What a plan says is told from what somebody saw on site; what a unit said where it was
        # found, and when its values were read.
        _tell_planned_from_noted,
    ),
)
"""Version n is reached by running ``MIGRATIONS[n - 1]`` on version n - 1; ``PRAGMA user_version``
keeps n."""


def pragma(connection: sqlite3.Connection, name: str) -> int:
    """The number that SQLite keeps under this name."""
    return int(connection.execute(f"PRAGMA {name}").fetchone()[0])


def migrate(connection: sqlite3.Connection, steps: Sequence[Sequence[Statement]]) -> None:
    """Run the missing ones of `steps`, each together with its version number in one transaction."""
    for version, statements in enumerate(steps, start=1):
        if pragma(connection, "user_version") >= version:
            continue
        with transaction(connection):
            if pragma(connection, "user_version") >= version:  # another program was quicker
                continue
            for statement in statements:
                if isinstance(statement, str):
                    connection.execute(statement)
                else:
                    statement(connection)
            connection.execute(f"PRAGMA user_version = {version}")


@contextmanager
def transaction(connection: sqlite3.Connection, begin: str = "BEGIN IMMEDIATE") -> Iterator[None]:
    """All statements inside together or none; inside another transaction, a part of that one."""
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

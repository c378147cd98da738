"""How the tables of a job file came to be, one step a version.

Append only: a step that has been released is never edited, because files made with it exist.
"""

from __future__ import annotations

APPLICATION_ID = 0x62757370
"""``PRAGMA application_id`` of every job file ("busp" in ASCII); tells it from any other SQLite
file."""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
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
    ),
)
"""Version n is reached by running ``MIGRATIONS[n - 1]`` on version n - 1; ``PRAGMA user_version``
keeps n."""

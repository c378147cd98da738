"""Job files with every kind of part, damaged in every way, and read by all that read one."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from busprobe.errors import BusprobeError
from busprobe.handover.assemble import assemble
from busprobe.handover.files import EXPORTERS
from busprobe.handover.missing import missing
from busprobe.handover.visits import with_earlier
from busprobe.job.intervals import Intervals, keep_intervals, kept_intervals
from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.job.plan import PlannedUnit, keep_plan, kept_plan
from busprobe.job.records import Cabling, Circuit, UnitRecord
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import RegisterWrite
from busprobe.profiles.store import Store, load_all, shipped_folder
from busprobe.session import endurance_runs as runs
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.session.wiring_record import failure_patterns
from busprobe.survey.kept_survey import KeptSurvey

AT = LineSettings.parse("9600-8N1")


@cache
def profiles() -> Store:
    """The shipped profiles."""
    return load_all([shipped_folder()])


def make_job(path: Path) -> None:
    """A job in which each step has left something."""
    with Job.create(path, site="Mill Lane", segment="Hall 2", tester="R. Vale") as job:
        session = Session(job, profiles(), connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", AT)
        session.listen(0.5)
        session.listen_and_ask(0.5)
        for _ in session.survey([AT], (11, 12, 13)):
            pass
        for unit in job.units():
            session.identify(unit.place)
        for _ in session.prove(rounds=3):
            pass
        for _ in session.try_polling(1):
            pass
        session.close()
        job.set_cabling(Cabling(master="PLC 1", cable="J-Y(St)Y", length_m=80.0))
        job.put_unit(UnitRecord(Place(14, AT), tag="EM-14", circuits=(Circuit("L1", ct="7"),)))
        job.record("hunt", {"addresses": "11-12", "log": ["11 answers"]})
        job.record("cautions", {"by": "R. Vale"})
        keep_plan(job, [PlannedUnit("TT-11", 11), PlannedUnit("TT-15", 15, settings=AT)])
        keep_intervals(job, Intervals(10.0))
        write = RegisterWrite(20, (13,))
        intent = WriteIntent(
            role=Role.ADDRESS,
            source=Place(12, AT),
            target=Place(13, AT),
            write=write,
            request=write.request(12).frame,
            words="Write 13 to register 20 of unit 12.",
        )
        for reply in (None, b"\x0c\x06"):
            number = job.intend_write(intent)
            job.conclude_write(number, Result.VERIFIED, reply=reply, why="It answers at 13.")
        job.intend_write(intent)


JUNK: tuple[Any, ...] = (
    None, True, 0, -1, 1.5, 1e308, float("nan"), float("inf"), 10**40, "", "x", "\ud800\x1b[2J",
    "9600-8N1", "300 9600-8N1", [], {}, [[]], [None], {"x": None}, {"format": 1}, "[" * 60,
)  # fmt: skip


def damage_job(path: Path, random: Random) -> str:
    """Damage the job file at `path`; returns in words how."""
    way = random.choice((_bytes, _cell, _cell, _document, _document, _document, _document, _schema))
    return way(path, random)


def _bytes(path: Path, random: Random) -> str:
    data = bytearray(path.read_bytes())
    if random.random() < 0.3:
        del data[random.randrange(len(data)) :]
    for _ in range(random.choice((0, 1, 3, 50))):
        if data:
            data[random.randrange(len(data))] = random.randrange(256)
    if random.random() < 0.2:
        at = random.randrange(len(data) + 1)
        data[at:at] = random.randbytes(random.randrange(1, 5000))
    path.write_bytes(data)
    return "bytes"


def _tables(connection: sqlite3.Connection) -> list[str]:
    named = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
    return sorted(name for (name,) in connection.execute(named))


def _some_cell(connection: sqlite3.Connection, random: Random) -> tuple[str, str, int]:
    table = random.choice(_tables(connection))
    columns = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
    rows = [row[0] for row in connection.execute(f"SELECT rowid FROM {table}")]
    return table, random.choice(columns), random.choice(rows or [0])


def _cell(path: Path, random: Random) -> str:
    with closing(sqlite3.connect(path)) as connection, connection:
        table, column, row = _some_cell(connection, random)
        value = random.choice(
            (
                "NULL",
                "-1",
                "99999999999",
                "1.5",
                "1e400",
                "x''",
                "x'fffe00'",
                "'x'",
                "''",
                "CAST(x'ff80' AS TEXT)",
                "'[]'",
                "'{}'",
                "'null'",
                "'" + "[" * 100_000 + "'",
                "CAST('2' AS BLOB)",
                "zeroblob(100000)",
                "'300 9600-8N1'",
                "char(27,93,48,59)",
            )
        )
        try:
            connection.execute(f"UPDATE {table} SET {column} = {value} WHERE rowid = ?", (row,))
        except sqlite3.Error:
            return "nothing"
    return f"{table}.{column} = {value[:40]}"


def _document(path: Path, random: Random) -> str:
    with closing(sqlite3.connect(path)) as connection, connection:
        documents = [
            (table, row[0], column, text)
            for table, column in (
                ("about", "value"),
                ("survey", "asked"),
                ("survey", "progress"),
                ("record", "document"),
                ("survey", "document"),
                ("finding", "document"),
                ("unit", "document"),
                ("write", "value_list"),
                ("state", "value"),
            )
            for row in connection.execute(f"SELECT rowid, {column} FROM {table}")
            if isinstance(text := row[1], str)
        ]
        table, row, column, text = random.choice(documents)
        place = f"{table}.{column}"
        mutated, how = mutated_document(json.loads(text), random)
        connection.execute(
            f"UPDATE {table} SET {column} = ? WHERE rowid = ?", (json.dumps(mutated), row)
        )
    return f"{place}: {how}"


def mutated_document(document: Any, random: Random) -> tuple[Any, str]:
    """The document with one of its parts changed or gone, and in words which."""
    junk = random.choice(JUNK)
    if not isinstance(document, dict | list) or not document or random.random() < 0.05:
        return junk, f"is {junk!r}"
    key: Any = random.choice(list(document) if isinstance(document, dict) else range(len(document)))
    changed: Any = dict(document) if isinstance(document, dict) else list(document)
    if isinstance(document[key], dict | list) and document[key] and random.random() < 0.8:
        changed[key], how = mutated_document(document[key], random)
        return changed, f"{key}.{how}"
    if random.random() < 0.3:
        del changed[key]
        return changed, f"{key} is gone"
    changed[key] = junk
    return changed, f"{key} is {junk!r}"


def _schema(path: Path, random: Random) -> str:
    with closing(sqlite3.connect(path)) as connection, connection:
        table = random.choice(_tables(connection))
        column = random.choice([r[1] for r in connection.execute(f"PRAGMA table_info({table})")])
        statement = random.choice(
            (
                f"DROP TABLE {table}",
                f"ALTER TABLE {table} RENAME TO other",
                f"ALTER TABLE {table} RENAME COLUMN {column} TO other",
                f"CREATE TRIGGER t BEFORE INSERT ON {table} BEGIN SELECT 1; END",
                "CREATE VIEW v AS SELECT 1",
                f"PRAGMA user_version = {random.randrange(-1, 9)}",
                f"PRAGMA application_id = {random.randrange(2)}",
            )
        )
        connection.execute("PRAGMA foreign_keys = OFF")
        try:
            connection.execute(statement)
        except sqlite3.Error:
            return "nothing"
    return statement


def read_job(path: Path, *, papers: bool) -> str:
    """Read all that a job can tell; the typed error that ends it, in words, or an empty text."""
    try:
        with Job.open(path) as job:
            kept_plan(job)
            kept_intervals(job)
            KeptSurvey.latest(job)
            runs.last_run(job)
            failure_patterns(job)
            listed = assemble(job, profiles().profiles)
            missing(listed)
            with_earlier(listed, listed, "earlier.busjob")
            if papers:
                for exporter in EXPORTERS.values():
                    exporter(listed)
    except BusprobeError as error:
        return str(error)
    return ""


def damaged_and_read(base: Path, scratch: Path, seed: int) -> tuple[str, str]:
    """One trial: the job at `base`, copied, damaged as `seed` says, and read."""
    random = Random(seed)  # noqa: S311 - the same damage again is what is wanted
    shutil.copyfile(base, scratch)
    for beside in scratch.parent.glob(f"{scratch.name}-*"):
        beside.unlink()
    how = damage_job(scratch, random)
    return how, read_job(scratch, papers=random.random() < 0.1)

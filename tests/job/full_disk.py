"""A disk that is full at the moment a test wants, made with SQLite's own limit on the size of a
file (SQLite documentation, "PRAGMA max_page_count")."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from busprobe.errors import FileError
from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite

conclude = Job.conclude_write
"""As it is without whatever a test does to it."""
_NO_LIMIT = 1_073_741_823
_SIZES = (3000, 1000, 300, 100, 30, 10, 3, 1)
"""Characters of what fills the last pages to the brim."""


def fill(job: Job) -> None:
    """Let nothing more go into the file: neither a new page nor another row in the last ones."""
    _limit(job, _connection(job).execute("PRAGMA page_count").fetchone()[0])
    number = None
    for size in _SIZES:
        try:
            while True:
                number = job.intend_write(_filler("x" * size))
                conclude(job, number, Result.ACKNOWLEDGED, reply=None, why="")
        except FileError:
            pass
    for size in _SIZES:
        try:
            while True:
                job.record("filler", {"x": "x" * size})
        except FileError:
            pass
    for size in _SIZES:
        try:
            while True:
                conclude(job, number or 1, Result.ACKNOWLEDGED, reply=None, why="x" * size)
        except FileError:
            pass


def make_room(job: Job) -> None:
    """Somebody has deleted something: everything can be written again."""
    _limit(job, _NO_LIMIT)


def _limit(job: Job, pages: int) -> None:
    with closing(_connection(job).execute(f"PRAGMA max_page_count = {pages}")) as cursor:
        cursor.fetchone()


def _connection(job: Job) -> sqlite3.Connection:
    connection = job._database._connection
    assert connection is not None
    return connection


def _filler(words: str) -> WriteIntent:
    """A step of another unit's procedure: no move, so that nothing is decided by it."""
    there = Place.parse("247 1200-8N1")
    return WriteIntent(
        role=Role.RELOCK,
        source=there,
        target=there,
        write=RegisterWrite(9, (9,), Function.WRITE_SINGLE_REGISTER),
        request=b"",
        words=words,
    )

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from busprobe.job import Job, database


class Ticking:
    """A wall clock that is one second later each time it is asked."""

    def __init__(self) -> None:
        self._moment = datetime(2026, 3, 2, 8, 0, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self._moment += timedelta(seconds=1)
        return self._moment


@pytest.fixture
def quick_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """No waiting for the disk, in tests of what is in a job rather than of what survives."""
    real = database._connect

    def connect(path: Path) -> sqlite3.Connection:
        connection = real(path)
        connection.execute("PRAGMA synchronous = OFF")
        return connection

    monkeypatch.setattr(database, "_connect", connect)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "hall.job"


@pytest.fixture
def job(path: Path) -> Iterator[Job]:
    with Job.create(
        path, site="Mill Lane", segment="Hall 2", tester="R. Vale", now=Ticking()
    ) as job:
        yield job

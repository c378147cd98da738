from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from busprobe.errors import FileError
from busprobe.job import Job, UnitRecord, migrations
from busprobe.job import database as database_module
from busprobe.job.reading import job_as_it_is
from busprobe.line.place import Place


@pytest.mark.parametrize("version", [1, len(migrations.MIGRATIONS)])
def test_a_job_of_any_version_is_read_and_left_as_it_is(
    path: Path, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as earlier:
        earlier.setattr(database_module, "MIGRATIONS", migrations.MIGRATIONS[:version])
        with Job.create(path, site="Mill Lane") as job:
            if version == len(migrations.MIGRATIONS):
                job.put_unit(UnitRecord(Place.parse("12 9600-8N1"), tag="TT-12"))
    if version == 1:
        entry = '{"address": 12, "settings": "9600-8N1", "tag": "TT-12"}'
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("INSERT INTO unit VALUES (12, '9600-8N1', ?)", (entry,))
    before = path.read_bytes()
    with job_as_it_is(path) as job:
        assert job.meta.site == "Mill Lane"
        assert [unit.tag for unit in job.units()] == ["TT-12"]
    assert path.read_bytes() == before
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


@pytest.mark.parametrize("content", [None, b"", b"no job"])
def test_what_is_no_job_is_named_by_its_own_name(path: Path, content: bytes | None) -> None:
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(FileError) as caught, job_as_it_is(path):
        pass
    assert str(path) in str(caught.value)

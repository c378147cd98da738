"""``busprobe job rescue``: all that can be read of a damaged job is in a new one."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from busprobe.errors import ExitCode, FileError
from busprobe.job import Job
from tests.cli.conftest import Command
from tests.fuzz.jobs import make_job, read_job


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "plant.busjob"
    make_job(made)
    return made


def alter(path: Path, *statements: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        for statement in statements:
            connection.execute(statement)


def tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with closing(sqlite3.connect(path)) as connection:
        named = connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite%'"
        )
        return {
            name: connection.execute(f"SELECT * FROM {name} ORDER BY rowid").fetchall()
            for (name,) in named.fetchall()
        }


def test_a_sound_job_is_copied_whole(command: Command, path: Path) -> None:
    ran = command("job", "rescue", path, "--json")
    assert ran.code == ExitCode.DONE
    assert ran.document["lost"] == []
    assert tables(path.with_name("plant-rescued.busjob")) == tables(path)


@pytest.mark.parametrize(
    ("statement", "place", "kept"),
    [
        ("UPDATE unit SET document = x'80' WHERE place LIKE '14 %'", "table unit, row", "unit"),
        (
            "UPDATE unit SET document = CAST(x'ff' AS TEXT) WHERE place LIKE '14 %'",
            "table unit, row",
            "unit",
        ),
        ("UPDATE unit SET document = '{}' WHERE place LIKE '14 %'", "table unit, row", "unit"),
        ("UPDATE record SET document = '[' WHERE step = 'hunt'", "table record, row", "record"),
        ("UPDATE record SET document = '{}' WHERE step = 'hunt'", "table record, row", "record"),
        ("UPDATE write SET role = 'x' WHERE id = 3", "table write, row 3", "write"),
        ("UPDATE conclusion SET reply = 'x' WHERE id = 1", "table conclusion, row 1", "conclusion"),
        ("UPDATE state SET value = '7' WHERE key = 'plan'", "table state, row", "state"),
        ("DROP TABLE finding", "table finding", None),
        ("ALTER TABLE state RENAME COLUMN value TO v", "table state", None),
    ],
)
def test_one_damaged_entry_costs_one_entry(
    statement: str, place: str, kept: str | None, command: Command, path: Path
) -> None:
    before = tables(path)
    alter(path, statement)
    refused = command("handover", "--job", path, "--out", path.parent / "out", "--format", "csv")
    assert refused.code == ExitCode.USAGE
    assert "busprobe job rescue" in refused.err
    ran = command("job", "rescue", path, "--into", path.parent / "new.busjob", "--json")
    assert ran.code == ExitCode.ATTENTION
    (lost,) = ran.document["lost"]
    assert lost["where"].startswith(place)
    after = tables(path.parent / "new.busjob")
    for name, rows in before.items():
        if name == kept:
            assert len(after[name]) == len(rows) - 1
            assert set(after[name]) < set(rows)
        elif place != f"table {name}":
            assert after[name] == rows
    assert read_job(path.parent / "new.busjob", papers=True) == ""


def test_what_belongs_to_a_lost_write_is_listed_too(command: Command, path: Path) -> None:
    alter(path, "UPDATE write SET request = 'text' WHERE id = 1")
    ran = command("job", "rescue", path, "--json")
    places = [lost["where"] for lost in ran.document["lost"]]
    assert places == ["table write, row 1, column request", "table conclusion, row 1"]


def test_what_lies_beside_a_destroyed_page_is_saved(command: Command, path: Path) -> None:
    with Job.open(path) as job:
        for number in range(400):
            job.record("filler", {"number": number, "text": "x" * 900})
    data = bytearray(path.read_bytes())
    middle = data.index(b'"number": 200,') // 4096 * 4096
    data[middle : middle + 4096] = b"\xaa" * 4096
    path.write_bytes(data)
    with pytest.raises(FileError, match="damaged"), Job.open(path) as job:
        job.records("filler")
    ran = command("job", "rescue", path)
    assert ran.code == ExitCode.ATTENTION
    assert "Lost: table record: is damaged after row" in ran.out
    with Job.open(path.with_name("plant-rescued.busjob")) as saved:
        numbers = [record.document["number"] for record in saved.records("filler")]
        assert len(numbers) > 300
        assert (numbers[0], numbers[-1]) == (0, 399)
        assert saved.units()


def test_no_file_is_written_over(command: Command, path: Path) -> None:
    before = path.read_bytes()
    ran = command("job", "rescue", path, "--into", path)
    assert ran.code == ExitCode.USAGE
    assert path.read_bytes() == before


def test_a_file_in_which_nothing_can_be_read_is_said_to_be_one(
    command: Command, tmp_path: Path
) -> None:
    (tmp_path / "x").write_text("not a job", encoding="utf-8")
    ran = command("job", "rescue", tmp_path / "x")
    assert ran.code == ExitCode.USAGE
    assert "nothing in it can be read" in ran.err
    assert not (tmp_path / "x-rescued").exists()

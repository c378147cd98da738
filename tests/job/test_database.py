from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from busprobe.errors import FileError
from busprobe.files.documents import from_document
from busprobe.job import Cabling, Job, UnitRecord, migrations
from busprobe.job import database as database_module
from busprobe.job.database import Database
from busprobe.line.place import Place


def refused(path: Path) -> str:
    """What the user reads when the file at `path` is opened as a job."""
    with pytest.raises(FileError) as caught:
        Job.open(path)
    assert str(path) in str(caught.value)
    return str(caught.value)


def test_a_missing_file_is_named(path: Path) -> None:
    assert "there is no such file" in refused(path)


def test_a_folder_is_no_job(tmp_path: Path) -> None:
    assert "it is a folder" in refused(tmp_path)


@pytest.mark.parametrize("content", [b"", b"position,tag\r\n1,T-01\r\n" * 50])
def test_a_file_of_another_kind_is_refused_and_left_alone(path: Path, content: bytes) -> None:
    path.write_bytes(content)
    assert "it is not a job file" in refused(path)
    assert path.read_bytes() == content


def test_another_programs_sqlite_file_is_refused_and_left_alone(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE about (key TEXT, value TEXT)")
    connection.commit()
    connection.close()
    content = path.read_bytes()
    assert "it is not a job file" in refused(path)
    assert path.read_bytes() == content


def test_a_file_of_a_newer_version_is_refused(job: Job, path: Path) -> None:
    job.close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    assert "newer busprobe (version 99" in refused(path)


def test_a_damaged_file_is_a_file_error(job: Job, path: Path) -> None:
    """Overwritten pages below an intact header are found when they are read, and said in plain
    words."""
    job.close()
    content = bytearray(path.read_bytes())
    content[100:] = b"\xaa" * (len(content) - 100)
    path.write_bytes(content)
    with pytest.raises(FileError, match="it is damaged"), Job.open(path) as opened:
        opened.units()


def test_a_damaged_document_is_a_file_error(job: Job, path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO unit VALUES ('1 9600-8N1', '{\"place\": 1}')")
    connection.execute("INSERT INTO state VALUES ('step', '{broken')")
    connection.execute(
        "INSERT INTO write VALUES (7, NULL, '', '', 'calibration', '1 9600-8N1', '1 9600-8N1', 257,"
        " 6, '[12]', x'', 'Write it.', NULL, 0)"
    )
    connection.commit()
    connection.close()
    with pytest.raises(FileError, match=r"entry of the journal is damaged \('calibration' is not"):
        job.writes()
    with pytest.raises(FileError, match="entry of a unit is damaged"):
        job.units()
    with pytest.raises(FileError, match="stored document is damaged"):
        job.state("step", str)


def test_creating_never_replaces_a_file(path: Path) -> None:
    path.write_text("mine")
    with pytest.raises(FileError, match="a file of that name already"):
        Job.create(path)
    assert path.read_text() == "mine"


def test_creating_in_a_missing_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be opened"):
        Job.create(tmp_path / "nowhere" / "hall.job")


def test_creating_leaves_nothing_but_the_job(job: Job, path: Path) -> None:
    assert [entry.name for entry in path.parent.iterdir()] == [path.name]


def test_a_creation_that_fails_leaves_nothing(path: Path) -> None:
    def fill(connection: sqlite3.Connection) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(FileError, match="No space left"):
        Database.create(path, fill)
    assert list(path.parent.iterdir()) == []


def test_missing_steps_are_run_with_their_version_and_keep_the_content(
    job: Job, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file of an older version gets the newer tables when it is opened."""
    job.close()
    steps = (
        *migrations.MIGRATIONS,
        ("ALTER TABLE unit ADD COLUMN colour TEXT", "CREATE TABLE label (id INTEGER)"),
    )
    monkeypatch.setattr(database_module, "MIGRATIONS", steps)
    with Job.open(path) as opened:
        assert opened.meta.site == "Mill Lane"
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(steps),)
    assert connection.execute("SELECT count(*) FROM label").fetchone() == (0,)
    connection.close()


FIRST_ENTRY = {
    "address": 12,
    "settings": "9600-8N1",
    "kind": "unit",
    "tag": "TT-12",
    "location": "",
    "position": 2,
    "profile": None,
    "match": None,
    "identity": {"serial": "00451"},
    "readings": [],
    "latency": {"minimum_ms": None, "median_ms": 9.4, "maximum_ms": None},
    "previous_address": 1,
    "factory_address": None,
    "how_set": "register 257",
    "power_cycle_verified": None,
    "counters": {"polls": 3, "ok": 2, "ok after junk": 1},
    "notes": ["behind the fan"],
    "seen": None,
}
"""An entry of the as-built list as the first version of the file has it."""


NEW_SINCE: tuple[dict[str, object], ...] = (
    {"distance_m": None, "terminator": None, "label_fitted": None, "noted": {}, "references": {}},
    {"sample": [], "circuits": [], "seen_by": ""},
    {"not_recognised": "", "differences": []},
    {"as_found": None},
    {"confirmed": None, "confirmed_by": ""},
)
"""What each version of the file from the second on has besides."""


@pytest.mark.parametrize(
    ("version", "entry"),
    [
        (1, FIRST_ENTRY),
        (2, {**FIRST_ENTRY, **NEW_SINCE[0]}),
        (2, {**FIRST_ENTRY, **NEW_SINCE[0], "sample": ["0C", "0C"]}),
    ],
)
def test_entries_of_earlier_versions_are_kept_with_what_is_new_not_noted(
    path: Path, monkeypatch: pytest.MonkeyPatch, version: int, entry: dict[str, object]
) -> None:
    with monkeypatch.context() as earlier:
        earlier.setattr(database_module, "MIGRATIONS", migrations.MIGRATIONS[:version])
        Job.create(path, site="Mill Lane").close()
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO unit VALUES (12, '9600-8N1', ?)", (json.dumps(entry),))
    connection.execute("INSERT INTO unit VALUES (13, '9600-8N1', '{broken')")
    connection.commit()
    connection.close()
    now = dict(FIRST_ENTRY)
    for new in NEW_SINCE:
        now |= new
    now |= {**entry, "found_identity": now["identity"]}
    now["counters"] = {"ok": 2, "ok after junk": 1}  # the fifth version has no sum beside them
    with Job.open(path) as opened:
        unit = opened.unit(Place.parse("12 9600-8N1"))
        now["place"] = f"{now.pop('address')} {now.pop('settings')}"
        assert unit == from_document(UnitRecord, now)
        assert unit is not None
        assert (unit.distance_m, unit.terminator, unit.label_fitted, unit.noted) == (
            None,
            None,
            None,
            {},
        )
        assert (unit.circuits, unit.seen_by) == ((), "")
        assert opened.cabling == Cabling()
    connection = sqlite3.connect(path)
    (text,) = connection.execute("SELECT document FROM unit WHERE place LIKE '12 %'").fetchone()
    connection.close()
    assert json.loads(text) == now


def test_a_step_that_fails_half_way_changes_nothing(
    job: Job, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.close()
    steps = (
        *migrations.MIGRATIONS,
        ("CREATE TABLE label (id INTEGER)", "ALTER TABLE missing ADD COLUMN colour TEXT"),
    )
    monkeypatch.setattr(database_module, "MIGRATIONS", steps)
    with pytest.raises(FileError, match="no such table: missing"):
        Job.open(path)
    monkeypatch.undo()
    with Job.open(path) as opened:
        assert opened.meta.site == "Mill Lane"
    connection = sqlite3.connect(path)
    assert connection.execute(
        "SELECT count(*) FROM sqlite_master WHERE name = 'label'"
    ).fetchone() == (0,)
    connection.close()


def test_another_writer_is_waited_for_and_then_reported(
    job: Job, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database_module, "BUSY_SECONDS", 0.01)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Job.open(path) as opened:
        with pytest.raises(FileError, match="another program is writing"):
            opened.set_state("step", "survey")
        other.execute("COMMIT")
        opened.set_state("step", "survey")
        assert opened.state("step", str) == "survey"
    other.close()


def test_a_read_only_file_can_be_read_and_says_why_not_written(
    job: Job, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def connect(path: Path) -> sqlite3.Connection:
        connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None)
        connection.row_factory = sqlite3.Row
        return connection

    monkeypatch.setattr(database_module, "_connect", connect)
    with Job.open(path) as opened:
        assert opened.meta.site == "Mill Lane"
        with pytest.raises(FileError, match="may only be read"):
            opened.set_state("step", "survey")


def test_a_full_disk_is_said_in_plain_words_and_keeps_what_was_there(path: Path) -> None:
    """SQLite's page limit stands in for the disk: it reports the same result code, SQLITE_FULL."""
    database = Database.create(path, lambda connection: None)
    with database.writing() as connection:
        connection.execute("INSERT INTO state VALUES ('step', '1')")
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
    with database.reading() as connection:
        connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(FileError, match="the disk is full"), database.writing() as connection:
        connection.execute("INSERT INTO state VALUES ('big', ?)", ("x" * 1_000_000,))
    with database.reading() as connection:
        assert [tuple(row) for row in connection.execute("SELECT * FROM state")] == [("step", "1")]
    database.close()


def test_a_closed_job_says_so(job: Job) -> None:
    job.close()
    job.close()
    with pytest.raises(FileError, match="it has been closed"):
        job.units()


def test_an_error_inside_a_transaction_undoes_it(path: Path) -> None:
    database = Database.create(path, lambda connection: None)
    with pytest.raises(ZeroDivisionError), database.writing() as connection:
        connection.execute("INSERT INTO state VALUES ('step', '1')")
        raise ZeroDivisionError
    with database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM state").fetchone()[0] == 0
    database.close()


def test_transactions_are_as_durable_as_sqlite_offers(path: Path) -> None:
    """synchronous 3 is EXTRA; the journal is a rollback journal ("PRAGMA synchronous" in SQLite's
    documentation)."""
    database = Database.create(path, lambda connection: None)
    with database.reading() as connection:
        assert connection.execute("PRAGMA synchronous").fetchone()[0] == 3
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "delete"
    database.close()


def test_a_transaction_inside_another_is_a_part_of_it(path: Path) -> None:
    """It is undone alone where it fails and the outer one goes on, and with the outer one where
    that fails."""
    database = Database.create(path, lambda connection: None)

    def put(key: str) -> None:
        with database.writing() as connection:
            connection.execute("INSERT INTO state VALUES (?, '1')", (key,))
            if key == "bad":
                raise ZeroDivisionError

    def kept() -> list[str]:
        with database.reading() as connection:
            return [row["key"] for row in connection.execute("SELECT key FROM state ORDER BY key")]

    with database.writing():
        put("a")
        with pytest.raises(ZeroDivisionError):
            put("bad")
        put("b")
        assert kept() == ["a", "b"]
    assert kept() == ["a", "b"]
    with pytest.raises(ZeroDivisionError), database.writing():
        put("c")
        put("bad")
    assert kept() == ["a", "b"]
    database.close()

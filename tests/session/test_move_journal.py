"""What became of a move and where its unit is listed are on the disk together, or neither is."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from busprobe.job import Job, UnitRecord
from busprobe.job.journal import Role, Row, WriteIntent
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.modbus.requests import RegisterWrite
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.session.move_journal import MoveJournal

OLD, NEW = Place.parse("1 9600-8N1"), Place.parse("12 9600-8N1")
MOVE = Move(OLD, NEW, Procedure(257))
HOW = RegisterWrite(257, (12,))
INTENT = WriteIntent(
    role=Role.ADDRESS,
    source=OLD,
    target=NEW,
    write=HOW,
    request=HOW.request(1).frame,
    words="Write it.",
)
ENDS = {
    "moved": (UnitRecord(OLD), Outcome(MOVE, Row.CHANGED, "", "")),
    "kept": (UnitRecord(OLD), Outcome(MOVE, Row.KEPT, "", "", power_cycled=True)),
    "not kept": (UnitRecord(NEW), Outcome(MOVE, Row.NOT_KEPT, "", "", power_cycled=True)),
    "one of a clash": (UnitRecord(OLD, kind=EntryKind.CLASH), Outcome(MOVE, Row.CHANGED, "", "")),
}


class Killed(BaseException):
    """The program ends here."""


class Faulty:
    """A connection before one of whose changes the program ends."""

    def __init__(self, connection: sqlite3.Connection, fails_at: int) -> None:
        self._connection = connection
        self._left = fails_at

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        if statement.split()[0] in ("INSERT", "DELETE", "UPDATE", "COMMIT"):
            if self._left == 0:
                raise Killed
            self._left -= 1
        return self._connection.execute(statement, *values)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._connection, name)


def begun(path: Path, listed: UnitRecord) -> int:
    """A job with a unit and a write of which it is not known what became; the write's number."""
    path.unlink(missing_ok=True)
    with Job.create(path) as job:
        job.put_unit(listed)
        return job.intend_write(INTENT)


def state(path: Path) -> tuple[list[Row | None], list[str]]:
    """What a program that starts anew finds: conclusions, and where units are listed."""
    with Job.open(path) as job:
        (write,) = job.writes()
        return [said.row for said in write.conclusions], [str(unit) for unit in job.units()]


def test_killed_before_any_statement_an_intent_and_the_entry_of_its_unit_are_both_missing(
    tmp_path: Path,
) -> None:
    """The unit is on the list from the intent on, in a job that knew of nothing."""
    path = tmp_path / "site.busjob"
    Job.create(path).close()
    for fails_at in range(20):
        with Job.open(path) as job:
            real = job._database._connection
            assert real is not None
            job._database._connection = Faulty(real, fails_at)  # type: ignore[assignment]
            try:
                MoveJournal(job).intend_write(INTENT)
            except Killed:
                job._database._connection = real
                with Job.open(path) as started:
                    assert (started.writes(), started.units()) == ((), ())
                continue
        break
    assert fails_at == 3, "intent, list and their common end"
    with Job.open(path) as job:
        assert [write.source for write in job.writes()] == [OLD]
        assert [unit.place for unit in job.units()] == [OLD]


@pytest.mark.parametrize("end", ENDS)
def test_killed_before_any_statement_a_conclusion_and_its_change_of_the_list_are_both_missing(
    end: str, tmp_path: Path
) -> None:
    path = tmp_path / "site.busjob"
    listed, outcome = ENDS[end]
    write = begun(path, listed)
    before = state(path)
    assert before[0] == []
    for fails_at in range(20):
        with Job.open(path) as job:
            real = job._database._connection
            assert real is not None
            job._database._connection = Faulty(real, fails_at)  # type: ignore[assignment]
            try:
                MoveJournal(job).conclude_move(outcome, (write,))
            except Killed:
                job._database._connection = real
                assert state(path) == before
                continue
        break
    assert fails_at >= 3, "conclusion, list and their common end"
    after = state(path)
    assert after[0] == [outcome.row]
    assert after[1] != before[1]

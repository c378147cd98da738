"""No decision about moves is read out of words: all of them are reworded at random, in the program
and in the journal, and everything is decided as before."""

from __future__ import annotations

import random
import shutil
import sqlite3
import string
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from busprobe.errors import BusprobeError
from busprobe.job.job import Job
from busprobe.job.journal import Role, Row
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress import words
from busprobe.readdress.journal import latest_move, move_state
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.undo import move_to_undo
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session

KEPT = sorted((Path(__file__).parents[1] / "job" / "kept").glob("*.busjob"))
STORE = load_all([shipped_folder()])


def nonsense(chance: random.Random) -> str:
    return "".join(chance.choices(string.ascii_letters + " :,.'", k=chance.randint(1, 40)))


def reworded(patch: pytest.MonkeyPatch, chance: random.Random) -> None:
    """Every entry of every table in the words module becomes nonsense."""
    tables = [value for value in vars(words).values() if isinstance(value, dict)]
    tables = [table for table in tables if table is not vars(words)["__builtins__"]]
    assert len(tables) >= 5
    for table in tables:
        for key, said in table.items():
            new = nonsense(chance) if isinstance(said, str) else tuple(map(nonsense, [chance] * 2))
            patch.setitem(table, key, new)


def decisions(moves: BusMoves, job: Job) -> Any:
    """All that is decided from the journal."""
    writes, units = job.writes(), job.units()

    def undone(number: int) -> object:
        try:
            made = move_to_undo(writes, number)[1]
        except BusprobeError as error:
            return type(error)
        return made.source, made.target

    latest = {unit.place: latest_move(unit, writes) for unit in units}
    return (
        [write.id for write in moves.unfinished()],
        [(left.write, left.place, left.steps) for left in moves.unfinished_steps()],
        [(o.write, o.row, o.result, o.move) for o in moves.unproven()],
        {unit.place: (w.id, move_state(unit, w)) for unit in units if (w := latest[unit.place])},
        [undone(write.id) for write in writes],
        [(unit.place, unit.power_cycle_verified, unit.previous_address) for unit in units],
    )


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_kept_journal_is_understood_whatever_its_sentences_are(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chance = random.Random(path.stem)  # noqa: S311 - repeatable on purpose
    copy = tmp_path / path.name
    shutil.copyfile(path, copy)
    with Job.open(copy) as job:
        before = decisions(BusMoves(Session(job, STORE)), job)
    with closing(sqlite3.connect(copy)) as connection:
        connection.create_function("nonsense", 0, lambda: nonsense(chance))
        connection.execute("UPDATE write SET words = nonsense()")
        connection.execute("UPDATE conclusion SET why = nonsense()")
        connection.commit()
    reworded(monkeypatch, chance)
    with Job.open(copy) as job:
        assert decisions(BusMoves(Session(job, STORE)), job) == before


class Killed(BaseException):
    """The program ends here."""


def worked(path: Path) -> tuple[Any, list[Row]]:
    """Moves of every kind, one of them cut off and recovered; what was decided, and how each
    ended."""
    at = LineSettings.parse("9600-8N1")
    rows: list[Row] = []
    with Job.create(path) as job:
        connector = Connector()
        session = Session(job, STORE, connector=connector)
        session.open("virtual:procedures", at)
        segment = connector.segment("virtual:procedures")
        segment.connect("te-201", connected=False)  # which would come back onto another
        for address in (1, 2, 3, 4, 5):
            session.identify(Place(address, at))
        moves = BusMoves(session)

        def moved(old: int, new: int, how: Procedure | None = None) -> int | None:
            outcome = moves.move(moves.prepare_move(Place(old, at), new, how), lambda _: True)
            rows.append(outcome.row)
            return outcome.write

        moved(5, 50)
        moved(4, 40)
        number = moved(2, 20)
        moved(50, 51, Procedure.by_hand(0x4000, 6))
        assert number is not None
        undo = moves.move(moves.prepare_undo(number), lambda _: True)
        rows.append(undo.row)
        cut_off(session, Place(1, at), 45)
        rows.extend(outcome.row for outcome in moves.recover())
        rows.extend(moves.finish(left, lambda _: True).row for left in moves.unfinished_steps())
        segment.power_cycle()
        rows.extend(moves.verify_again(outcome).row for outcome in moves.unproven())
        assert {write.role for write in job.writes()} >= {Role.UNDO, Role.UNLOCK, Role.SAVE}
        return decisions(moves, job), rows


def cut_off(session: Session, old: Place, new: int) -> None:
    """A move that ends, with the program, where the step after the address would be concluded."""
    real, concluded = session.job.conclude_write, list[object]()

    def conclude(*given: Any, **named: Any) -> None:
        if concluded:
            raise Killed
        concluded.append(given)
        real(*given, **named)

    with pytest.MonkeyPatch.context() as patch, pytest.raises(Killed):
        patch.setattr(session.job, "conclude_write", conclude)
        moves = BusMoves(session)
        moves.move(moves.prepare_move(old, new), lambda _: True)


def test_moves_end_the_same_whatever_is_said_of_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = worked(tmp_path / "plain.busjob")
    reworded(monkeypatch, random.Random(12))  # noqa: S311 - repeatable on purpose
    assert worked(tmp_path / "reworded.busjob") == plain
    assert len(set(plain[1])) >= 5

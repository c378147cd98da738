"""After a crash at any moment of any procedure: what is said of the two addresses is true, and the
record is closed."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, Row, WriteIntent, WriteRecord
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.changes import Effect, ReplyFrom
from busprobe.readdress.journal import move_of
from busprobe.readdress.move import execute, prepare
from busprobe.readdress.procedure import Procedure
from busprobe.readdress.recovery import recover
from busprobe.session.move_journal import MoveJournal
from tests.readdress.bench import (
    ADDRESS_REGISTER,
    RELOCK,
    SAVE,
    UNLOCK,
    Bench,
    Book,
    FakeUnit,
    line_to,
    move,
    unplugged,
    yes,
)


class Killed(BaseException):
    """The program ends here."""


def unfinished(book: Book) -> list[WriteRecord]:
    return [write for write in book.writes if write.outcome is None]


PLAIN = Procedure(ADDRESS_REGISTER, profile="bench-unit")
CASES = {
    "at once": (FakeUnit(1), PLAIN),
    "by function 6": (FakeUnit(1), replace(PLAIN, function=Function.WRITE_SINGLE_REGISTER)),
    "reply from the new address": (
        FakeUnit(1, reply_from="new"),
        replace(PLAIN, reply_from=ReplyFrom.NEW),
    ),
    "no reply": (FakeUnit(1, reply_from="none"), replace(PLAIN, reply_from=ReplyFrom.NONE)),
    "after a restart": (FakeUnit(1, restart=6), PLAIN),
    "after a power cycle": (
        FakeUnit(1, effect="power cycle"),
        replace(PLAIN, effect=Effect.AFTER_POWER_CYCLE),
    ),
    "unlock, write, save, lock again": (
        FakeUnit(1, effect="save", password=4711),
        Procedure(
            ADDRESS_REGISTER,
            effect=Effect.AFTER_SAVE,
            unlock=UNLOCK,
            save=SAVE,
            relock=RELOCK,
            profile="bench-unit",
        ),
    ),
}


def as_left_by_a_kill(
    unit: FakeUnit, procedure: Procedure, moment: str
) -> list[tuple[Bench, Book]]:
    """Pair and record as they are at each frame of a move, just before it leaves or just after.

    A killed program does nothing more, not even tidy up; so the move is made once, and what would
    be left is copied.
    """
    bench, book = Bench(replace(unit)), Book()
    line = line_to(bench)
    prepared = prepare(line, move(procedure=procedure))
    left = []

    def keep(_: bytes) -> None:
        left.append(deepcopy((bench, book)))

    setattr(bench, moment, keep)
    execute(line, prepared, book, yes)
    return left


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("moment", ["before_send", "after_send"])
def test_the_program_killed_at_every_frame_of_a_move(case: str, moment: str) -> None:
    unit, procedure = CASES[case]
    interrupted = 0
    for bench, book in as_left_by_a_kill(unit, procedure, moment):
        bench.before_send = bench.after_send = lambda _: None
        writes = list(bench.writes)
        was_open = unfinished(book)
        outcomes = recover(line_to(bench), was_open, book)
        assert book.unfinished == []
        assert bench.writes == writes  # recovery only reads
        assert len(outcomes) == (1 if was_open else 0)
        for outcome in outcomes:
            interrupted += 1
            true_address = bench.units[0].address
            assert outcome.row is (Row.FOUND_CHANGED if true_address == 12 else Row.UNDECIDED)
            assert (outcome.result is Result.VERIFIED) == (true_address == 12)
    assert interrupted > 3


@pytest.mark.parametrize("case", CASES)
def test_the_power_of_the_unit_cut_at_every_write_of_a_move(case: str) -> None:
    unit, procedure = CASES[case]
    for nth in range(1, 5):
        bench, book = Bench(replace(unit)), Book()

        def cut(frame: bytes, bench: Bench = bench, nth: int = nth) -> None:
            if frame[1] in (6, 16) and len(bench.writes) == nth:
                bench.units[0].power_cycle()
                bench.units[0].ready_at = bench.clock.now() + 3

        bench.after_send = cut
        line = line_to(bench)
        outcome = execute(line, prepare(line, move(procedure=procedure)), book, yes)
        assert book.unfinished == []
        assert bench.unsafe == []
        if outcome.result is Result.VERIFIED:
            assert bench.units[0].address == 12
        if outcome.row in (Row.PENDING, Row.UNHEARD, Row.UNIT_REFUSED):
            assert bench.units[0].address == 1


def test_a_pulled_adapter_is_looked_into_with_the_job_as_it_is(tmp_path: Path) -> None:
    bench = Bench(FakeUnit(1))
    bench.after_send = lambda frame: unplugged(frame) if frame[1] == 16 else None
    with Job.create(tmp_path / "site.job") as job:
        line = line_to(bench)
        outcome = execute(line, prepare(line, move()), MoveJournal(job), yes)
        assert outcome.row is Row.PORT_FAILED
        assert [write.id for write in job.unfinished_writes()] == [outcome.write]
    with Job.open(tmp_path / "site.job") as job:
        said: list[str] = []
        (found,) = recover(line_to(bench), job.unfinished_writes(), MoveJournal(job), said.append)
        assert said == [
            f"Write {outcome.write} was under way when the program ended: {job.writes()[0].words}"
        ]
        assert found.row is Row.FOUND_CHANGED
        assert found.request == outcome.request
        assert job.unfinished_writes() == ()
        assert job.writes()[0].outcome == "verified"


def test_the_moves_of_several_units_are_looked_into_one_after_the_other() -> None:
    bench, book = Bench(FakeUnit(12), FakeUnit(2)), Book()
    for old, new in ((1, 12), (2, 13)):
        book.intend_write(
            WriteIntent(
                role=Role.ADDRESS,
                source=Place.parse(f"{old} 9600-8N1"),
                target=Place.parse(f"{new} 9600-8N1"),
                write=RegisterWrite(257, (new,), Function.WRITE_SINGLE_REGISTER),
                request=b"\x01\x06\x00\x64\x00\x0c\xc8\x10",
                words="Write it.",
            )
        )
    assert [o.row for o in recover(line_to(bench), unfinished(book), book)] == [
        Row.FOUND_CHANGED,
        Row.UNDECIDED,
    ]


def test_the_move_is_read_back_from_the_record() -> None:
    here = move(procedure=Procedure(100, Function.WRITE_SINGLE_REGISTER))
    how = RegisterWrite(100, (12,), Function.WRITE_SINGLE_REGISTER)
    frame = b"\x01\x06\x00\x64\x00\x0c\xc8\x10"
    for role in (Role.ADDRESS, Role.UNLOCK):
        record = WriteRecord(
            id=7,
            move=7,
            intended="",
            tester="",
            role=role,
            source=here.source,
            target=here.target,
            write=how,
            request=frame,
            words="Write it.",
        )
        assert move_of(record) == here
    record = WriteRecord(
        id=7,
        move=7,
        intended="",
        tester="",
        role=Role.UNDO,
        source=here.source,
        target=here.target,
        write=how,
        request=frame,
        words="Write it.",
    )
    assert move_of(record) == replace(here, purpose=Role.UNDO)

"""The program killed, the adapter pulled, the supply cut at every step of every procedure: what is
said is true.

A step is a write of the procedure, just before it leaves and just after; and the looks in between
and after, where the moment of every `STRIDE`-th frame stands for its neighbours, which ask the same
place.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from copy import deepcopy
from functools import cache
from pathlib import Path

import pytest

from busprobe.errors import PortError
from busprobe.job.job import Job
from busprobe.job.journal import Result, Row
from busprobe.line.place import Place
from busprobe.readdress.move import Prepared, execute, prepare
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move
from busprobe.readdress.recovery import recover
from busprobe.session.move_journal import MoveJournal
from tests.readdress.bench import Book, checked, yes
from tests.readdress.segment import MOVES, Stage, stage
from tests.readdress.test_recovery import Killed, unfinished

NOT_THERE_YET = (
    Row.PENDING,
    Row.UNHEARD,
    Row.UNIT_REFUSED,
    Row.NOT_TAKEN,
    Row.UNDECIDED,
    Row.STEP_FAILED,
)
"""Rows that say that the unit answers where it was."""
POWER_LOST = 3.5
"""Seconds in which all unit types have started again."""


KINDS = {
    "by function 6": "at-10, address",
    "reply from the new address": "dx-8, address",
    "after a power cycle": "cd-2, address",
    "unlock, write by function 16, save, lock again": "lk-2, address",
    "high byte of a shared register": "hp-4, address",
    "low byte, no reply, save": "iv-6, address",
    "baud rate after a save": "lk-2, 19200",
    "baud rate at once, low byte": "hp-4, 19200",
    "format after a power cycle, high byte": "iv-6, 8N1",
}
"""Every kind of procedure, by a move that has it."""
STRIDE = 8


@cache
def prepared_for(name: str) -> tuple[Prepared, tuple[int, ...], tuple[int, ...]]:
    """A move that passed its guards, the numbers of the frames at which to strike, and those of its
    writes."""
    kind, move = MOVES[name]
    on = stage(kind)
    prepared = prepare(on.line, move)
    before = len(on.port.sent)
    execute(on.line, prepared, Book(), yes)
    sent = on.port.sent[before:]
    writes = tuple(number for number, frame in enumerate(sent) if frame in on.port.writes)
    around = {number + step for number in writes for step in (0, 1)}
    return prepared, tuple(sorted(around | set(range(0, len(sent), STRIDE)))), writes


def at_frame(number: int, action: Callable[[], None]) -> Callable[[int], None]:
    def act(sent: int) -> None:
        if sent == number:
            action()

    return act


def die() -> None:
    raise Killed


def is_true(outcome: Outcome, place: Place, move: Move) -> bool:
    """Whether what was said of the two places is so of a unit at `place`."""
    if outcome.result is Result.VERIFIED:
        return place == move.target
    if outcome.row in NOT_THERE_YET:
        return place == move.source
    return False  # one sound unit on a sound pair: there is no excuse for anything vaguer


def left_by_a_kill(
    name: str, moment: str, frames: Collection[int]
) -> list[tuple[int, Stage, Book]]:
    """Unit and record as a kill at each of `frames` leaves them, `before` the frame leaves or
    `after`.

    A killed program does not even tidy up; so the move is made once, and what would be left is
    copied.
    """
    on, book = stage(MOVES[name][0]), Book()
    left: list[tuple[int, Stage, Book]] = []

    def keep(number: int) -> None:
        if number in frames:
            left.append((number, on.copied(), deepcopy(book)))

    setattr(on.port, moment, keep)
    execute(on.line, prepared_for(name)[0], book, yes)
    for _, there, _ in left:
        setattr(there.port, moment, lambda _: None)
    return left


@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS)
def test_the_program_killed_at_every_step(name: str, moment: str) -> None:
    _, move = MOVES[name]
    _, frames, writes = prepared_for(name)
    told = []
    for number, there, record in left_by_a_kill(
        name, moment, writes if moment == "after" else frames
    ):
        was_open = unfinished(record)
        sent = list(there.port.writes)
        outcomes = recover(there.reopened(), was_open, record)
        assert record.unfinished == []
        assert there.port.writes == sent  # recovery only reads
        assert len(outcomes) == bool(was_open)
        for outcome in outcomes:
            assert is_true(outcome, there.place, move), (number, outcome.row, there.place)
            told.append(outcome.row)
    assert len(told) >= len(writes)
    if moment == "before":
        assert told[0] is Row.UNDECIDED  # the intent was on record, and the write never left


@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS)
def test_the_adapter_pulled_at_every_step(name: str, moment: str) -> None:
    """Pulled just before a frame leaves, or while its reply is awaited; the port is opened anew,
    and the move told."""
    kind, move = MOVES[name]
    prepared, frames, writes = prepared_for(name)
    left_open = 0
    for number in writes if moment == "before" else frames:
        on, book = stage(kind), Book()
        setattr(on.port, moment, at_frame(number, on.segment.unplug))
        try:
            outcome = execute(on.line, prepared, book, yes)
        except PortError:
            assert book.writes == []  # nothing had been written
            continue
        assert outcome.row is Row.PORT_FAILED
        on.segment.plug_in()
        was_open = unfinished(book)
        for found in recover(on.reopened(), was_open, book):
            left_open += 1
            assert is_true(found, on.place, move), (number, found.row, on.place)
        assert book.unfinished == []
    assert left_open >= len(writes)


@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS)
def test_the_supply_of_the_unit_cut_at_every_step(name: str, moment: str) -> None:
    """Cut with the program going on: its outcome is true, and so is what a check after the power
    cycle says.

    True of where the unit was when it was last heard: a cut after that, with nobody asking again,
    cannot be seen.
    """
    kind, move = MOVES[name]
    prepared, frames, writes = prepared_for(name)
    for number in writes if moment == "before" else frames:
        on, book = stage(kind), Book()
        heard_at = [on.place]

        def heard(on: Stage = on, heard_at: list[Place] = heard_at) -> None:
            heard_at.append(on.place)

        on.port.heard = heard
        setattr(on.port, moment, at_frame(number, on.segment.power_cycle))
        outcome = execute(on.line, prepared, book, yes)
        assert book.unfinished == []
        if outcome.result is Result.REFUSED:  # the last look found nobody, and nothing was written
            assert on.port.writes == []
            continue
        assert is_true(outcome, heard_at[-1], move), (number, outcome.row, heard_at[-1])
        on.segment.power_cycle()
        after = checked(on.line, outcome)
        assert (after.result is Result.VERIFIED) == (on.place == move.target), (
            number,
            after.row,
            on.place,
        )


@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS)
def test_program_and_supply_gone_together_at_every_write(name: str) -> None:
    """A blown fuse in the cabinet takes the laptop along; the job file tells on the next day which
    move it was."""
    kind, move = MOVES[name]
    prepared, _, writes = prepared_for(name)
    for number in writes:
        on, book = stage(kind), Book()

        def blackout(on: Stage = on) -> None:
            on.segment.power_cycle()
            raise Killed

        on.port.after = at_frame(number, blackout)
        with pytest.raises(Killed):
            execute(on.line, prepared, book, yes)
        on.line.clock.sleep_until(on.line.clock.now() + POWER_LOST)
        for outcome in recover(on.reopened(), unfinished(book), book):
            assert is_true(outcome, on.place, move), (number, outcome.row, on.place)
        assert book.unfinished == []


def test_the_job_file_says_on_the_next_start_which_move_was_under_way(tmp_path: Path) -> None:
    """Killed between write and save: the unit answers at its new address, and the steps are
    concluded together."""
    name = "iv-6, address"
    kind, move = MOVES[name]
    prepared, _, _ = prepared_for(name)
    on = stage(kind)
    main = prepared.request.frame

    def kill(number: int) -> None:
        if on.port.sent[number] == main:
            raise Killed

    on.port.after = kill
    with Job.create(tmp_path / "site.job") as job, pytest.raises(Killed):
        execute(on.line, prepared, MoveJournal(job), yes)
    with Job.open(tmp_path / "site.job") as job:
        said: list[str] = []
        journal = MoveJournal(job)
        (found,) = recover(on.reopened(), job.unfinished_writes(), journal, said.append)
        assert said == [f"Write 1 was under way when the program ended: {prepared.request.words}"]
        assert (found.row, found.move.source, found.move.target) == (
            Row.FOUND_CHANGED,
            move.source,
            move.target,
        )
        assert "Power-cycle" in found.todo
        on.segment.power_cycle()
        again = checked(on.line, found)
        assert again.row is Row.NOT_KEPT  # never saved, and said so

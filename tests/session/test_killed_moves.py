"""The program killed before and after every write of every procedure, in a job that knew of
nothing: after the next start, what is left being sent, and a power cycle, list, journal and bus say
the same."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busprobe.errors import RefusedError
from busprobe.job.job import Job
from busprobe.job.journal import Row
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.claims import claims
from busprobe.readdress.move import prepare
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from tests.readdress.segment import MOVES, Stage, stage
from tests.readdress.test_recovery import Killed
from tests.readdress.test_recovery_on_segment import KINDS

STORE = load_all([shipped_folder()])


def moves_on(there: Stage, job: Job) -> BusMoves:
    """The program as it starts on this bus and job."""
    session = Session(job, STORE, connector=Connector())
    session._line = there.line
    return BusMoves(session)


def killed(there: Stage, job: Job, name: str, nth: int, moment: str) -> bool:
    """Make the move and be killed at the `nth` write, `before` it leaves or `after`; whether there
    was one."""
    moves = moves_on(there, job)
    prepared = moves.prepare(MOVES[name][1])
    frames = [step.request.frame for step in prepared.steps]

    def sends(_: int) -> int:
        return sum(frame in frames for frame in there.port.sent)

    def kill(number: int) -> None:
        begun = len(job.writes())
        at_it = begun == nth + 1 if moment == "before" else sends(number) == nth + 1
        if at_it and (moment == "after" or sends(number) == nth):
            raise Killed

    setattr(there.port, moment, kill)
    try:
        moves.move(prepared, lambda _: True)
    except Killed:
        return True
    finally:
        setattr(there.port, moment, lambda _: None)
    return False


@pytest.mark.parametrize("moment", ["before", "after"])
@pytest.mark.parametrize("name", KINDS.values(), ids=KINDS)
def test_list_journal_and_bus_agree_after_a_kill_at_every_write(
    name: str, moment: str, tmp_path: Path
) -> None:
    kind, move = MOVES[name]
    for nth in range(8):
        there, path = stage(kind), tmp_path / f"{nth}.busjob"
        with Job.create(path) as job:
            if not killed(there, job, name, nth, moment):
                break
        with Job.open(path) as job:
            there.line = there.reopened()
            moves = moves_on(there, job)
            assert [unit.place for unit in job.units()] == [move.source]
            settle(moves, there.segment.power_cycle)
            assert [unit.place for unit in job.units()] == [there.place], (nth, moment)
            assert not (*moves.unfinished(), *moves.unproven())
            assert claims(job.writes()) == ()
            assert [s for left in moves.unfinished_steps() for s in left.steps] == []
            last = [write for write in job.writes() if write.role.moves][-1:]
            assert all((w.row is Row.KEPT) == (there.place == move.target) for w in last)
    assert nth == len(prepare(stage(kind).line, move).steps)


def settle(moves: BusMoves, power_cycle: Callable[[], None]) -> None:
    """What the program asks for after a crash: recover, send what is left, power-cycle, check."""
    moves.recover(unsettled=True)
    for left in moves.unfinished_steps():
        try:
            moves.finish(left, lambda _: True)
        except RefusedError:
            continue
    power_cycle()
    for each in moves.unproven():
        moves.verify_again(each)
    for left in moves.unfinished_steps():
        moves.finish(left, lambda _: True)

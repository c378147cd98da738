"""The disk is full, or the job's file is gone, at any write of a move: what is true of the unit is
told all the same, and put on record as soon as that can be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from busprobe.errors import FileError
from busprobe.job.job import Job
from busprobe.job.journal import Result, Row
from busprobe.line.place import Place
from busprobe.readdress.outcome import Outcome
from busprobe.virtual.adapter import VirtualPort
from tests.job.full_disk import fill, make_room
from tests.session.test_moves import AT_9600, OnSite

OneUnit = Callable[[str, int], OnSite]


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(tmp_path / "site.busjob") as opened:
        yield opened


def before_write(
    number: int, happens: Callable[[], None], patch: pytest.MonkeyPatch
) -> list[bytes]:
    """Let something happen just before the write of that number leaves, counted from 1; all writes
    that left."""
    send, writes = VirtualPort.send, list[bytes]()

    def watched(port: VirtualPort, data: bytes) -> float:
        if data[1] in (6, 16):
            if len(writes) + 1 == number:
                happens()
            writes.append(data)
        return send(port, data)

    patch.setattr(VirtualPort, "send", watched)
    return writes


def moved(site: OnSite, old: int, new: int) -> Outcome:
    prepared = site.moves.prepare_move(Place(old, AT_9600), new)
    return site.moves.move(prepared, lambda _: True)


def test_an_outcome_that_cannot_be_stored_is_told_and_stored_once_there_is_room(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = OnSite(job, "clean")
    before_write(1, lambda: fill(job), monkeypatch)
    outcome = moved(site, 11, 13)
    assert (outcome.row, outcome.result) == (Row.CHANGED, Result.VERIFIED)
    assert outcome.not_stored is not None
    assert "the disk is full" in outcome.not_stored.error.what
    assert outcome.document()["stored"] is False
    assert [write.id for write in job.unfinished_writes()] == list(outcome.not_stored.writes)
    assert site.moves.store(outcome).not_stored is not None
    make_room(job)
    assert site.moves.store(outcome).not_stored is None
    assert job.unfinished_writes() == ()
    assert site.listed == site.true


def test_the_recovery_finds_what_could_not_be_stored(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = OnSite(job, "clean")
    before_write(1, lambda: fill(job), monkeypatch)
    assert moved(site, 11, 13).not_stored is not None
    (full,) = site.moves.recover()
    assert full.not_stored is not None
    make_room(job)
    (found,) = site.moves.recover()
    assert (found.row, found.not_stored) == (Row.FOUND_CHANGED, None)
    assert site.listed == site.true


def test_what_cannot_be_put_on_record_is_not_sent(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = OnSite(job, "clean")
    writes = before_write(1, lambda: None, monkeypatch)
    prepared = site.moves.prepare_move(Place(11, AT_9600), 13)
    fill(job)
    outcome = site.moves.move(prepared, lambda _: True)
    assert (outcome.result, writes) == (Result.REFUSED, [])
    assert "the disk is full" in outcome.why


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_a_disk_that_is_full_from_any_step_of_a_procedure_on(
    job: Job, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """Unlock, address, save and lock again: no further step is sent without its record, and what is
    true of the unit is told."""
    site = OnSite(job, "procedures")
    unit = next(
        u for u in site.segment.units if u.kind.lock is not None and u.kind.save is not None
    )
    old = unit.address
    writes = before_write(number, lambda: fill(job), monkeypatch)
    outcome = moved(site, old, 77)
    assert len(writes) == number
    assert outcome.not_stored is not None
    if number == 1:
        assert (outcome.row, unit.address) == (Row.STEP_FAILED, old)
    else:
        assert outcome.result is Result.VERIFIED or unit.address == old
        assert "the disk is full" in outcome.why or number == 4
    make_room(job)
    assert site.moves.store(outcome).not_stored is None
    assert job.unfinished_writes() == ()


def test_a_batch_ends_at_an_outcome_that_cannot_be_stored(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = OnSite(job, "clean")
    writes = before_write(1, lambda: fill(job), monkeypatch)
    finished = site.run({11: 60, 12: 61})
    assert [outcome.result for outcome in finished.outcomes] == [Result.VERIFIED]
    assert finished.outcomes[0].not_stored is not None
    assert [move.source.address for move in finished.left] == [12]
    assert len(writes) == 1
    assert isinstance(finished.failure, FileError)  # the end of the batch is not kept either


def test_a_file_that_is_gone_takes_no_outcome(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite would go on writing to a file that nobody finds again."""
    site = OnSite(job, "clean")
    before_write(1, job.path.unlink, monkeypatch)
    outcome = moved(site, 11, 13)
    assert outcome.result is Result.VERIFIED
    assert outcome.not_stored is not None
    assert "it was moved or deleted" in outcome.not_stored.error.what

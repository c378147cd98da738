"""Endurance runs kept while they go on, and trials of the polling table: a kill loses next to
nothing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from busprobe.errors import RefusedError, UsageError
from busprobe.handover.known_bus import polling_of
from busprobe.job import Job, UnitRecord
from busprobe.job.records import PollResult, ReplyTimes
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.prove.bus_polling import cycle_words
from busprobe.prove.endurance import RoundDone, RunFinished
from busprobe.prove.words import findings
from busprobe.session import endurance_runs as runs
from busprobe.session.connect import Connector
from busprobe.session.session import Session

SETTINGS = "9600-8N1"


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with Job.create(tmp_path / "a.busjob") as job:
        for address in (11, 12):
            job.put_unit(
                UnitRecord(Place.parse(f"{address} {SETTINGS}"), profile="aldermoor-at-10")
            )
        made = Session(
            job, load_all([shipped_folder()]), connector=Connector(virtual_clock=VirtualClock())
        )
        made.open("virtual:clean", LineSettings.parse(SETTINGS))
        yield made
        made.close()


def finished(session: Session, **how: object) -> RunFinished:
    *_, last = session.prove(**how)  # type: ignore[arg-type]
    assert isinstance(last, RunFinished)
    return last


def kept(session: Session) -> runs.KeptRun:
    run = runs.last_run(session.job)
    assert run is not None
    return run


def test_a_run_that_is_abandoned_half_way_keeps_what_was_counted_and_goes_on(
    session: Session,
) -> None:
    """Nobody asks the generator again, as when the program dies; the record says so, and the next
    run counts on."""
    for event in session.prove(rounds=100_000):
        if isinstance(event, RoundDone):
            assert kept(session).proof.rounds == event.proof.rounds, "each round is on the disk"
            if event.proof.rounds == 12:
                break
    run = kept(session)
    assert run.proof.rounds == 12
    assert not run.proof.complete
    assert run.proof.polls >= 2 * run.proof.rounds > 0
    assert run.proof.interruption == runs.CUT_OFF
    unit = session.job.unit(Place.parse(f"11 {SETTINGS}"))
    assert unit is not None
    assert sum(unit.counters.values()) == sum(t.polls for t in run.proof.units if t.address == 11)
    assert any("was not finished" in words for words in session.bus_list().not_tested)
    assert run.proof.asked_rounds == 100_000
    last = finished(session, rounds=run.proof.rounds + 5, resume=True)
    assert last.proof.complete
    assert last.proof.rounds == run.proof.rounds + 5
    assert last.proof.polls >= run.proof.polls + 2 * 5 - 1


def test_a_run_gone_on_with_stays_one_record_so_that_nothing_counts_twice(session: Session) -> None:
    session.job.put_unit(UnitRecord(Place.parse(f"99 {SETTINGS}"), position=1))
    finished(session, rounds=2)
    finished(session, rounds=4, resume=True)
    assert len(session.job.records("prove")) == 2, "the first had come to its end"
    for event in session.prove(rounds=100):
        if isinstance(event, RoundDone) and event.proof.rounds == 8:
            break
    run = kept(session)
    finished(session, rounds=run.proof.rounds + 1, resume=True)
    assert len(session.job.records("prove")) == 3
    assert kept(session).proof.rounds == run.proof.rounds + 1


def test_a_run_goes_on_to_where_it_was_to_end(session: Session) -> None:
    """Whoever goes on after a crash need not know what was asked for."""
    for event in session.prove(minutes=1):
        if isinstance(event, RoundDone):
            break
    last = finished(session, resume=True)
    assert last.proof.complete
    assert 60 <= last.proof.seconds < 62


def test_a_port_that_fails_at_once_does_not_hide_an_earlier_run(session: Session) -> None:
    finished(session, rounds=3)
    session.line.close()
    last = finished(session, rounds=3)
    assert last.failure is not None
    assert "cut short" in " ".join(findings(last.proof))
    assert kept(session).proof.rounds == 3
    session.reopen()
    assert finished(session, rounds=4).proof.complete


def test_other_units_cannot_go_on_with_a_run(session: Session) -> None:
    for event in session.prove(rounds=100_000):
        if isinstance(event, RoundDone):
            break
    session.job.put_unit(UnitRecord(Place.parse(f"13 {SETTINGS}")))
    with pytest.raises(UsageError, match="polled other units"):
        finished(session, rounds=5, resume=True)
    assert finished(session, rounds=5).proof.polls == 15


PROVER = """
import sys
from pathlib import Path
from busprobe.session.connect import Connector
from busprobe.job import Job, UnitRecord
from busprobe.job.records import PollResult, ReplyTimes
from busprobe.line.clock import VirtualClock
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all
from busprobe.prove.endurance import RoundDone
from busprobe.session.session import Session

with Job.open(Path(sys.argv[1])) as job:
    session = Session(job, load_all([]), connector=Connector(virtual_clock=VirtualClock()))
    session.open("virtual:clean", LineSettings.parse("9600-8N1"))
    for event in session.prove(rounds=10_000_000, resume=True):
        if isinstance(event, RoundDone):
            sys.stdout.write(f"{event.proof.polls}\\n")
            sys.stdout.flush()
"""


def test_counts_survive_kill_9_and_add_up_over_programs(tmp_path: Path) -> None:
    """Each program is killed after some reports; the next goes on from at least what was
    reported."""
    path = tmp_path / "a.busjob"
    with Job.create(path) as job:
        job.put_unit(UnitRecord(Place.parse(f"11 {SETTINGS}")))
    reported = 0
    for _ in range(2):
        program = subprocess.Popen(
            [sys.executable, "-c", PROVER, str(path)], stdout=subprocess.PIPE, text=True
        )
        assert program.stdout is not None
        lines = [program.stdout.readline() for _ in range(3)]
        program.kill()
        rest, _ = program.communicate()
        assert lines[-1], "the program died by itself"
        assert int(lines[0]) > reported, "it went on from what was kept"
        *_, reported = map(int, ("".join(lines) + rest).split())
        with Job.open(path) as job:
            run = runs.last_run(job)
            assert run is not None
            assert run.proof.polls >= reported
            assert run.proof.interruption == runs.CUT_OFF
            assert len(job.records("prove")) == 1


def test_the_polling_table_is_tried_and_its_cycle_measured_beside_the_computed_one(
    session: Session,
) -> None:
    finished(session, rounds=10)
    *_, last = session.try_polling(20)
    assert isinstance(last, RunFinished)
    assert last.proof.clean
    made = polling_of(session.bus_list())
    assert made.measured is not None
    assert made.measured.cycles == 20
    assert made.measured.cycle_s == pytest.approx(made.table.cycle_s, rel=0.05)
    assert "measured" in cycle_words(made)
    assert not any("in between" in words for words in made.assumed)


def test_there_has_to_be_something_to_try(session: Session) -> None:
    for address in (11, 12):
        session.job.put_unit(UnitRecord(Place.parse(f"{address} {SETTINGS}")))
    with pytest.raises(RefusedError, match="nothing to poll"):
        list(session.try_polling(5))


def test_papers_compare_with_the_earlier_job_until_told_otherwise(
    session: Session, tmp_path: Path
) -> None:
    earlier = tmp_path / "spring.busjob"
    with Job.create(earlier) as job:
        job.put_unit(UnitRecord(Place.parse(f"11 {SETTINGS}"), tag="A"))
        job.put_unit(UnitRecord(Place.parse(f"14 {SETTINGS}"), tag="B"))
    with pytest.raises(UsageError, match="this very job"):
        session.compare_with(session.job.path)
    assert session.earlier is None
    compared = session.compare_with(earlier)
    assert compared.earlier is not None
    words = [each.words for each in compared.earlier.comparison.differences]
    assert any("B is not on the later list" in each for each in words)
    session.hand_over(tmp_path / "papers", ["csv", "html", "markdown", "xlsx", "json"])
    assert "B is not on the later list" in (tmp_path / "papers" / "comparison.csv").read_text(
        encoding="utf-8-sig"
    )
    assert "Since the earlier visit" in (tmp_path / "papers" / "bus-list.html").read_text()
    session.compare_with(None)
    assert session.papers().earlier is None


def test_a_second_trial_begins_anew_and_keeps_what_is_refused(session: Session) -> None:
    """A meter that refuses the registers between two of its values: each trial finds that out for
    itself."""
    session.job.put_unit(UnitRecord(Place.parse(f"21 {SETTINGS}"), profile="brookvale-bm-330"))
    for _ in range(2):
        *_, last = session.try_polling(2)
        assert isinstance(last, RunFinished)
        assert last.proof.failed == 0
        trial = session.job.latest("polling")
        assert trial is not None
        assert [block["register"] for block in trial.document["refused"]]
        assert polling_of(session.bus_list()).measured is not None


def test_a_run_without_an_answer_leaves_the_reply_times_known_from_before(session: Session) -> None:
    """They were measured: a polling table must not call them assumed because the unit was off for a
    while."""
    session.job.put_unit(
        UnitRecord(Place.parse(f"99 {SETTINGS}"), latency=ReplyTimes(5.0, 6.0, 7.0))
    )
    finished(session, rounds=1)
    silent, answering = (
        session.job.unit(Place.parse(f"99 {SETTINGS}")),
        session.job.unit(Place.parse(f"11 {SETTINGS}")),
    )
    assert silent is not None
    assert answering is not None
    assert silent.latency == ReplyTimes(5.0, 6.0, 7.0)
    assert silent.counters[PollResult.SILENT] == 1
    assert answering.latency.median_ms is not None

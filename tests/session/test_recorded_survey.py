"""A survey kept in the job: nothing that was found is lost, however often it is cut off."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from busprobe.job import Job
from busprobe.line.clock import VirtualClock
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.survey.events import Finished, Found, Identifying, OtherMasterHeard, Started
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.survey.probes import Asking

STORE = load_all([shipped_folder()])
SETTINGS = LineSettings.parse("9600-8N1")


def test_a_survey_cut_off_twice_has_lost_nothing(tmp_path: Path) -> None:
    """What the first part found and asked is on the record of the second from its start, before it
    finds anything."""
    settings = [LineSettings.parse("9600-8N1")]
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", settings[0])
        first = session.survey(settings, range(1, 40))
        for event in first:
            if isinstance(event, Found):
                first.cancel()
        found = {finding["address"] for finding in job.latest_survey().findings}  # type: ignore[union-attr]
        assert found
        for event in session.survey(settings, range(1, 40), resume=True):
            if isinstance(event, Started):
                break  # as a crash would
        second = job.latest_survey()
        assert second is not None
        assert second.ended is None
        assert {finding["address"] for finding in second.findings} >= found
        assert second.progress is not None
        session.close()


def test_how_far_a_survey_is_is_on_disk_with_each_finding(tmp_path: Path) -> None:
    """A crash right after a finding costs nothing that was asked before it."""
    settings = [LineSettings.parse("9600-8N1")]
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", settings[0])
        for event in session.survey(settings, range(1, 40)):
            if isinstance(event, Found):
                record = job.latest_survey()
                assert record is not None
                assert record.progress is not None
                kept = KeptSurvey.of(record)
                assert event.finding.place in kept.places
                assert max(kept.asked_at[settings[0]]) >= event.finding.address - 1
        session.close()


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    """On a segment with the virtual clock."""
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", SETTINGS)
        yield session
        session.close()


def test_each_unit_is_identified_and_read_once_when_the_search_is_over(session: Session) -> None:
    """The truth is the scenario's; the job has name and profile from the moment a unit is found."""
    seen: list[Place] = []
    asked_then = 0
    for event in session.survey([SETTINGS], range(1, 40)):
        match event:
            case Found(finding):
                unit = session.job.unit(finding.place)
                assert unit is not None
                assert (unit.profile, unit.match) == (finding.profile, finding.match)
                assert unit.profile is not None
                assert bool(unit.readings) == bool(seen)
            case Identifying(place=place, number=number, of=of):
                seen.append(place)
                assert (number, of) == (len(seen), 4)
            case Asking():
                assert not seen, "the close look is not taken again"
            case Finished(result):
                asked_then = len(result.findings)
    assert asked_then == len(seen) == len(set(seen)) == 4
    for unit in session.job.units():
        assert unit.profile is not None
        points = STORE.profiles[unit.profile].points
        assert [reading.name for reading in unit.readings] == [point.name for point in points]
        assert session.identified[unit.place].profile == STORE.profiles[unit.profile]
    kept = KeptSurvey.latest(session.job)
    assert kept is not None
    assert all(finding.readings for finding in kept.findings)


def test_a_survey_that_goes_on_reads_nobody_twice(session: Session) -> None:
    """It was cut off between two units; the second one is read when it goes on."""
    for event in session.survey([SETTINGS], range(1, 40)):
        if isinstance(event, Identifying) and event.number == 2:
            break  # as a crash would
    [once] = [unit.place for unit in session.job.units() if unit.readings]
    again = session.survey([SETTINGS], range(1, 40), resume=True)
    assert once not in [event.place for event in again if isinstance(event, Identifying)]
    assert all(unit.readings for unit in session.job.units())


def test_others_may_use_the_line_between_two_units_that_are_read(session: Session) -> None:
    survey = session.survey([SETTINGS], range(1, 40))
    held = threading.Event()

    def other_work() -> None:
        survey.wait_until_paused()
        held.set()
        survey.unpause()

    for event in survey:
        if isinstance(event, Identifying) and event.number == 2:
            survey.pause()
            threading.Thread(target=other_work, daemon=True).start()
    assert held.is_set()
    assert all(unit.readings for unit in session.job.units())


def test_nothing_is_read_beside_another_master(tmp_path: Path) -> None:
    """Each further request disturbs it."""
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:second-master", SETTINGS)
        survey = session.survey([SETTINGS], range(1, 15))
        events = []
        for event in survey:
            events.append(event)
            if isinstance(event, OtherMasterHeard):
                survey.go_on()
        assert any(isinstance(event, OtherMasterHeard) for event in events)
        assert any(isinstance(event, Found) for event in events)
        assert not any(isinstance(event, Identifying) for event in events)
        session.close()


class Killed(BaseException):
    """The program ends here."""


def test_a_finding_and_its_entry_in_the_list_are_kept_together_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = [LineSettings.parse("9600-8N1")]

    def killed(*_: object) -> None:
        raise Killed

    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", settings[0])
        with monkeypatch.context() as patch, pytest.raises(Killed):
            patch.setattr(Job, "put_unit", killed)
            list(session.survey(settings, range(10, 13)))
        record = job.latest_survey()
        assert record is not None
        assert (record.findings, job.units()) == ((), ())
        list(session.survey(settings, range(10, 13)))
        record = job.latest_survey()
        assert record is not None
        assert len(record.findings) == len(job.units()) == 2


def test_what_is_read_back_of_a_survey_is_what_it_found_cut_off_or_ended(tmp_path: Path) -> None:
    """Cut off there is something to go on from, and what is left is asked at no settings."""
    settings = [LineSettings.parse("9600-8N1"), LineSettings.parse("19200-8E1")]
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(job, STORE, connector=Connector(virtual_clock=VirtualClock()))
        session.open("virtual:clean", settings[0])
        found = []
        for event in session.survey(settings, range(1, 40), expect=30):
            if isinstance(event, Found):
                found.append(event.finding)
                break  # as a crash would
        cut_off = KeptSurvey.of(job.latest_survey())  # type: ignore[arg-type]
        assert cut_off.cut_off
        assert not cut_off.complete
        assert list(cut_off.findings) == found
        assert (cut_off.settings, cut_off.expect) == (tuple(settings), 30)
        assert cut_off.addresses == tuple(range(1, 40))
        assert set(cut_off.asked_at) == set(settings)

        events = list(session.survey(settings, range(1, 40)))
        [result] = [event.result for event in events if isinstance(event, Finished)]
        ended = KeptSurvey.of(job.latest_survey())  # type: ignore[arg-type]
        assert (ended.cut_off, ended.can_go_on, ended.complete) == (False, False, True)
        assert ended.findings == result.findings
        assert (ended.asked, ended.untested, ended.notes) == (
            result.asked,
            result.untested,
            result.notes,
        )
        found_at = {finding.address for finding in result.findings}
        assert ended.asked_at[settings[0]] | found_at == set(range(1, 40))
        session.close()

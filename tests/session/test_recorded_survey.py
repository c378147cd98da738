"""A survey kept in the job: nothing that was found is lost, however often it is cut off."""

from __future__ import annotations

from pathlib import Path

from busprobe.job import Job
from busprobe.line.clock import VirtualClock
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.survey.events import Found, Started


def test_a_survey_cut_off_twice_has_lost_nothing(tmp_path: Path) -> None:
    """What the first part found and asked is on the record of the second from its start, before it
    finds anything."""
    settings = [LineSettings.parse("9600-8N1")]
    with Job.create(tmp_path / "a.busjob") as job:
        session = Session(
            job, load_all([shipped_folder()]), connector=Connector(virtual_clock=VirtualClock())
        )
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

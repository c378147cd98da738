"""Whether everything that a job keeps can be read: asked once, before anything is shown of it."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.handover.assemble import assemble
from busprobe.job.job import Job
from busprobe.profiles.schema import Profile
from busprobe.session.endurance_runs import last_run
from busprobe.session.wiring_record import failure_patterns
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.wiring.listening import read_listening
from busprobe.wiring.record import read_record


def check_readable(job: Job, profiles: Mapping[str, Profile]) -> None:
    """Raises `FileError` where anything in the job is not as it was stored."""
    assemble(job, profiles)
    last_run(job)
    failure_patterns(job)
    KeptSurvey.latest(job)
    wiring = job.latest("wiring")
    with job.as_stored():
        if wiring is not None:
            read_record(wiring.document)
        for record in job.records("listening"):
            read_listening(record.document)

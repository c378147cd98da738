"""A survey whose events are kept in the job as they pass, so that a crash costs seconds and not the
survey."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from busprobe.files.documents import to_document
from busprobe.job.job import Job
from busprobe.job.records import Document, UnitRecord, unit_from_finding
from busprobe.line.clock import SystemClock
from busprobe.survey import events
from busprobe.survey.findings import Finding, SurveyResult
from busprobe.survey.survey import Survey

_PROGRESS_EVERY = 2.0
"""Real seconds between two notes of how far a survey is: what a crash may cost."""


class RecordedSurvey:
    """A survey whose events are kept in the job as they pass; iterate over it once.

    The controls are those of `busprobe.survey.survey.Survey` and may be called from any thread.
    """

    def __init__(self, job: Job, port: str, survey: Survey, asked: Document) -> None:
        self._job = job
        self._port = port
        self._asked = asked
        self._survey = survey
        self.cancel = survey.cancel
        self.pause = survey.pause
        self.unpause = survey.unpause
        self.is_paused = survey.is_paused
        self.wait_until_paused = survey.wait_until_paused
        self.skip_setting = survey.skip_setting
        self.only_where_found = survey.only_where_found
        self.stop_here = survey.stop_here
        self.go_on = survey.go_on

    def __iter__(self) -> Iterator[events.Event]:
        number = self._job.begin_survey(self._asked)
        self._carry_on(number)
        clock = SystemClock()
        noted = clock.now()
        for event in self._survey:
            match event:
                case events.Found(finding):
                    with self._job.together():
                        self._job.add_finding(number, to_document(finding))
                        self._keep(finding)
                        self._job.progress(number, self._survey.so_far().progress())
                case events.Progress() if clock.now() - noted > _PROGRESS_EVERY:
                    noted = clock.now()
                    self._job.progress(number, self._survey.so_far().progress())
                case events.Finished(result):
                    with self._job.together():
                        self._job.progress(number, result.progress())
                        self._job.end_survey(number, result.document(self._port))
                        self._note_absent(result)
            yield event

    def _carry_on(self, number: int) -> None:
        """Put what an earlier part of a survey that goes on has found and asked on this record,
        from its start.

        Otherwise a second crash would cost what the first one did not.
        """
        earlier = self._survey.so_far()
        for finding in earlier.findings:
            self._job.add_finding(number, to_document(finding))
        if earlier.asked:
            self._job.progress(number, earlier.progress())

    def _keep(self, finding: Finding) -> None:
        known = self._job.unit(finding.place)
        by = self._job.meta.tester
        self._job.put_unit(
            unit_from_finding(to_document(finding), seen=self._job.now(), by=by, known=known)
        )

    def _note_absent(self, result: SurveyResult) -> None:
        """Units on the list that a complete survey asked in vain: silent, which is not the same as
        gone."""
        if not result.complete:
            return
        found = {finding.place for finding in result.findings}
        note = f"Silent in the survey of {self._job.now()}."

        def noted(unit: UnitRecord) -> UnitRecord:
            asked = unit.settings in result.settings and unit.address in result.addresses
            absent = asked and unit.place not in found
            return replace(unit, notes=(*unit.notes, note)) if absent else unit

        self._job.revise_units(noted)

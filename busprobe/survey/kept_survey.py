"""A survey as the job has kept it, read back: what was searched, found and left out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from busprobe.files.documents import AsText, from_document
from busprobe.job.job import Job
from busprobe.job.records import SurveyRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import AddressSet
from busprobe.survey.findings import Asked, Finding, FirstPass, Reason, Untested
from busprobe.survey.probes import Probe


@dataclass(frozen=True)
class KeptSurvey:
    """One survey, ended or cut off."""

    begun: str
    """UTC in ISO 8601."""
    cut_off: bool
    """Whether it came to no end of its own."""
    can_go_on: bool
    """Whether it left anything to go on from."""
    settings: tuple[LineSettings, ...] = ()
    """What was to be searched, in order."""
    addresses: AddressSet = ()
    expect: int | None = None
    """How many units were to be found."""
    also: tuple[Annotated[Probe, AsText(Probe.parse, str)], ...] = ()
    """What silent addresses were to be asked for beside the usual."""
    findings: tuple[Finding, ...] = ()
    asked: tuple[Asked, ...] = ()
    complete: bool = False
    """Whether everything was asked that was to be asked."""
    seconds: float | None = None
    """How long it took; None where it was cut off."""
    notes: tuple[str, ...] = ()
    """What concerns the line or the port rather than one unit, in plain words."""
    untested: tuple[Untested, ...] = ()
    first_pass: FirstPass | None = None
    ended: Reason | None = None
    """Why it ended before all was asked that was left; None where it did not, or was cut off."""
    failure: str | None = None
    """Why the port could not go on."""

    @property
    def places(self) -> frozenset[Place]:
        """Where anything was found."""
        return frozenset[Place]().union(*(finding.places for finding in self.findings))

    @property
    def asked_at(self) -> dict[LineSettings, set[int]]:
        """Addresses that were asked, for each line setting."""
        asked: dict[LineSettings, set[int]] = {settings: set() for settings in self.settings}
        for one in self.asked:
            asked.setdefault(one.settings, set()).update(one.addresses)
        return asked

    @classmethod
    def latest(cls, job: Job) -> KeptSurvey | None:
        """The last survey of the job, if there was one; raises `FileError` where its document is
        damaged."""
        record = job.latest_survey()
        with job.as_stored("the last survey"):
            return None if record is None else cls.of(record)

    @classmethod
    def of(cls, record: SurveyRecord) -> KeptSurvey:
        """Read a record of the job; raises ValueError where it is none."""
        document = {
            **record.asked,
            **record.document,
            "asked": (record.progress or record.document).get("asked", ()),
            "begun": record.begun,
            "cut_off": record.ended is None,
            "can_go_on": record.progress is not None and not record.complete,
        }
        return from_document(cls, document)

"""What a survey showed, how sure that is, and what was not tested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

from busprobe.errors import PortError, UsageError
from busprobe.files.documents import AsText, from_document, to_document
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import AddressSet, format_addresses
from busprobe.survey.findings import Finding
from busprobe.survey.port_check import IgnoredSettings
from busprobe.survey.probes import Probe

SURVEY_FORMAT = "busprobe.survey/1"
PROGRESS_FORMAT = "busprobe.survey-progress/2"
_FIRST_PROGRESS_FORMAT = "busprobe.survey-progress/1"


@dataclass(frozen=True)
class Asked:
    """That one kind of probe went to some addresses; as it stands in the survey document."""

    settings: LineSettings
    probe: Annotated[Probe, AsText(Probe.parse, str)]
    round: int
    """1; more where the same was asked again because requests got lost; 0 where it was a foretaste
    of round 1."""
    addresses: AddressSet
    wait_ms: int
    """Shortest reply wait used; later replies were still listened for."""


@dataclass(frozen=True)
class Untested:
    """What was planned and not asked, and why; as it stands in the survey document."""

    settings: LineSettings
    probes: tuple[str, ...]
    addresses: AddressSet
    why: str

    @property
    def words(self) -> str:
        """The same as one sentence."""
        return (
            f"{self.settings}: addresses {format_addresses(self.addresses)} were not asked"
            f" everything, {self.why}."
        )


class About(StrEnum):
    """What a note about the line is about; each thing is noted once at each place."""

    EARLIER = "earlier"
    """From a survey that did not say."""
    OTHER_MASTER = "other master"
    LISTENING = "listening"
    STUCK = "stuck"
    PULSES = "pulses"
    BURSTS = "bursts"
    ECHO = "echo"
    GATEWAY = "gateway"
    ANSWERS_EVERYWHERE = "answers everywhere"
    IGNORED_SETTINGS = "ignored settings"
    NOT_ASKED_FOR = "not asked for"
    LOST_REQUESTS = "lost requests"
    UNREADABLE = "unreadable"
    COUNT = "count"
    STRAY_BYTES = "stray bytes"
    NO_REPLY = "no reply"


@dataclass(frozen=True)
class LineNote:
    """What concerns the line or the port rather than one unit."""

    about: About
    words: str
    at: Place | LineSettings | None = None
    """Where it is so; None where it concerns the bus as a whole."""


@dataclass(frozen=True)
class SurveyResult:
    """Everything a survey showed."""

    settings: tuple[LineSettings, ...]
    """What was to be searched, in order."""
    addresses: tuple[int, ...]
    expect: int | None
    findings: tuple[Finding, ...]
    seconds: float
    """How long it took, interruptions left out."""
    complete: bool
    """Whether everything was asked that was to be asked."""
    asked: tuple[Asked, ...]
    untested: tuple[Untested, ...]
    line_notes: tuple[LineNote, ...]
    echo: bool
    other_master: bool
    noise_bytes: int
    """Bytes heard that belong to no frame."""
    pulses: int = 0
    """Requests that were followed by a pulse or two and nothing else."""
    ignored: IgnoredSettings | None = None
    """What the port does not apply; None where no unit was there to tell."""
    promiscuous: frozenset[LineSettings] = frozenset()
    """Where one unit answers every address, so that no other can be told."""
    failure: PortError | None = None
    """Why the port could not go on; None if it could."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What concerns the line or the port rather than one unit, in plain words."""
        return tuple(note.words for note in self.line_notes)

    def document(self, port: str) -> dict[str, Any]:
        """The survey document, for programs."""
        return {
            "format": SURVEY_FORMAT,
            "port": port,
            "settings": [str(s) for s in self.settings],
            "addresses": format_addresses(self.addresses),
            "seconds": round(self.seconds, 1),
            "complete": self.complete,
            "line": {
                "echo": self.echo,
                "other_master": self.other_master,
                "noise_bytes": self.noise_bytes,
            },
            "findings": [finding.document() for finding in self.findings],
            "asked": [to_document(asked) for asked in self.asked],
            "untested": [to_document(untested) for untested in self.untested],
            "notes": list(self.notes),
            "failure": None if self.failure is None else str(self.failure),
        }

    def progress(self) -> dict[str, Any]:
        """What is needed to go on later; `SurveyProgress.read` reads it."""
        made = SurveyProgress(
            format=PROGRESS_FORMAT,
            seconds=self.seconds,
            asked=self.asked,
            findings=self.findings,
            ignored=self.ignored,
            promiscuous=tuple(sorted(self.promiscuous)),
            line_notes=self.line_notes,
            noise_bytes=self.noise_bytes,
            pulses=self.pulses,
        )
        return to_document(made)


@dataclass(frozen=True)
class SurveyProgress:
    """An interrupted survey, as kept to go on from."""

    format: str
    seconds: float
    asked: tuple[Asked, ...]
    findings: tuple[Finding, ...]
    ignored: IgnoredSettings | None
    promiscuous: tuple[LineSettings, ...]
    line_notes: tuple[LineNote, ...]
    noise_bytes: int = 0
    pulses: int = 0

    @classmethod
    def read(cls, document: Mapping[str, Any]) -> SurveyProgress:
        """Read a progress document of this or the earlier format; raises `UsageError` if it is
        none."""
        try:
            if document["format"] == _FIRST_PROGRESS_FORMAT:
                document = _brought_up_to_date(document)
            if document["format"] != PROGRESS_FORMAT:
                raise ValueError(f"its format is {document['format']!r}")
            return from_document(cls, document)
        except (KeyError, TypeError, ValueError) as error:
            raise UsageError(
                f"The interrupted survey cannot be read back ({error}).", todo="Start a new survey."
            ) from error


def asked_and_found(document: Mapping[str, Any]) -> tuple[tuple[Asked, ...], set[Place]]:
    """What was asked, and where anything was found, by a survey document or one of progress."""
    asked = tuple(from_document(Asked, each) for each in document.get("asked", ()))
    found = {
        Place.parse(each.get("place") or f"{each['address']} {each['settings']}")
        for each in document.get("findings", ())
    }
    return asked, found


def _brought_up_to_date(document: Mapping[str, Any]) -> dict[str, Any]:
    """A progress document of the first format as one of the present; raises KeyError or TypeError
    where it is none."""
    findings = [
        {
            "place": f"{each['address']} {each['settings']}",
            "kind": each["kind"],
            "latency": each["latency"],
            "evidence": each["evidence"],
            "seen": each["notes"],
        }
        for each in document["findings"]
    ]
    return {
        **document,
        "format": PROGRESS_FORMAT,
        "findings": findings,
        "ignored": document["blindness"],
        "promiscuous": document["impostors"],
        "line_notes": [{"about": About.EARLIER, "words": words} for words in document["notes"]],
    }

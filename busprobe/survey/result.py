"""What a survey showed, how sure that is, and what was not tested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from busprobe.errors import PortError, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.survey.control import Blindness
from busprobe.survey.findings import Finding

SURVEY_FORMAT = "busprobe.survey/1"
PROGRESS_FORMAT = "busprobe.survey-progress/1"


@dataclass(frozen=True)
class Asked:
    """That one kind of probe went to some addresses."""

    settings: LineSettings
    probe: str
    round: int
    """1; more where the same was asked again because requests got lost; 0 where it was a foretaste
    of round 1."""
    addresses: tuple[int, ...]
    wait: float
    """Shortest reply wait used, in seconds; later replies were still listened for."""

    def document(self) -> dict[str, Any]:
        """For the survey document."""
        return {
            "settings": str(self.settings),
            "probe": self.probe,
            "round": self.round,
            "addresses": format_addresses(self.addresses),
            "wait_ms": int(1000 * self.wait),
        }

    @classmethod
    def read(cls, document: Mapping[str, Any]) -> Asked:
        """The reverse of `document`; raises `KeyError`, `TypeError` or `ValueError` on anything
        else."""
        return cls(
            LineSettings.parse(document["settings"]),
            str(document["probe"]),
            int(document["round"]),
            parse_addresses(document["addresses"]),
            document["wait_ms"] / 1000,
        )


@dataclass(frozen=True)
class Untested:
    """What was planned and not asked, and why."""

    settings: LineSettings
    probes: tuple[str, ...]
    addresses: tuple[int, ...]
    why: str

    def document(self) -> dict[str, Any]:
        """For the survey document."""
        return {
            "settings": str(self.settings),
            "probes": list(self.probes),
            "addresses": format_addresses(self.addresses),
            "why": self.why,
        }

    @property
    def words(self) -> str:
        """The same as one sentence."""
        return (
            f"{self.settings}: addresses {format_addresses(self.addresses)} were not asked"
            f" everything, {self.why}."
        )


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
    notes: tuple[str, ...]
    """What concerns the line or the port rather than one unit, in plain words."""
    echo: bool
    other_master: bool
    noise_bytes: int
    """Bytes heard that belong to no frame."""
    pulses: int = 0
    """Requests that were followed by a pulse or two and nothing else."""
    blindness: Blindness | None = None
    """What the port does not apply; None where no unit was there to tell."""
    impostors: frozenset[LineSettings] = frozenset()
    """Where one unit answers every address, so that no other can be told."""
    failure: PortError | None = None
    """Why the port could not go on; None if it could."""

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
            "findings": [f.document() for f in self.findings],
            "asked": [a.document() for a in self.asked],
            "untested": [u.document() for u in self.untested],
            "notes": list(self.notes),
            "failure": None if self.failure is None else str(self.failure),
        }

    def progress_document(self) -> dict[str, Any]:
        """What is needed to go on later; `Earlier.read` reads it."""
        return {
            "format": PROGRESS_FORMAT,
            "settings": [str(s) for s in self.settings],
            "addresses": format_addresses(self.addresses),
            "expect": self.expect,
            "seconds": self.seconds,
            "asked": [a.document() for a in self.asked],
            "findings": [f.progress_document() for f in self.findings],
            "blindness": None if self.blindness is None else asdict(self.blindness),
            "impostors": [str(s) for s in sorted(self.impostors)],
            "notes": list(self.notes),
            "noise_bytes": self.noise_bytes,
            "pulses": self.pulses,
        }


@dataclass(frozen=True)
class Earlier:
    """An interrupted survey, as read back."""

    seconds: float
    asked: tuple[Asked, ...]
    findings: tuple[Finding, ...]
    blindness: Blindness | None
    impostors: frozenset[LineSettings]
    notes: tuple[str, ...]
    noise_bytes: int
    pulses: int

    @classmethod
    def read(cls, document: Mapping[str, Any]) -> Earlier:
        """Read a progress document; raises `UsageError` if it is none."""
        try:
            if document["format"] != PROGRESS_FORMAT:
                raise ValueError(f"its format is {document['format']!r}")
            return cls(
                seconds=float(document["seconds"]),
                asked=tuple(Asked.read(a) for a in document["asked"]),
                findings=tuple(Finding.from_progress(f) for f in document["findings"]),
                blindness=(
                    None if document["blindness"] is None else Blindness(**document["blindness"])
                ),
                impostors=frozenset(LineSettings.parse(s) for s in document["impostors"]),
                notes=tuple(str(note) for note in document["notes"]),
                noise_bytes=int(
                    document.get("noise_bytes", 0)
                ),  # jobs of old do not have these two
                pulses=int(document.get("pulses", 0)),
            )
        except (KeyError, TypeError, ValueError) as error:
            raise UsageError(
                f"The interrupted survey cannot be read back ({error}).", todo="Start a new survey."
            ) from error

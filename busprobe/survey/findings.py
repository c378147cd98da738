"""What the survey concludes of an address, and the evidence it rests on."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply


class Kind(StrEnum):
    """What is at an address."""

    UNIT = "unit"
    """One unit, as far as can be told from the wire: identical twins can answer as one."""
    CLASH = "clash"
    """Two or more units."""
    UNSURE = "unsure"
    """Somebody, but it cannot be told who or how many."""
    SILENT = "silent"
    """No reply, which is not the same as no unit; never the kind of a finding."""


@dataclass(frozen=True)
class Latency:
    """How long a unit took to begin its replies, in seconds from the end of the request."""

    minimum: float
    median: float
    maximum: float

    @classmethod
    def of(cls, replies: Iterable[Reply]) -> Latency | None:
        """Sum up the replies that can be told to be the unit's own; None where there are none."""
        seconds = [r.latency for r in replies if r.present and r.latency is not None]
        return cls(min(seconds), statistics.median(seconds), max(seconds)) if seconds else None


@dataclass(frozen=True)
class Evidence:
    """One exchange that bears on a finding."""

    request: bytes
    received: bytes
    """All that came back, local echo stripped."""
    words: str
    """The request and what was made of the reply, in plain words."""

    @classmethod
    def of(cls, reply: Reply) -> Evidence:
        """Keep what matters of a judged exchange."""
        return cls(
            reply.request.frame, reply.exchange.received, f"{reply.request.words} → {reply.words}"
        )


@dataclass(frozen=True)
class Finding:
    """What the survey concluded of one address at one line setting."""

    address: int
    settings: LineSettings
    kind: Kind
    latency: float | None
    """Median seconds from the end of a request to the first byte of its reply."""
    evidence: tuple[Evidence, ...]
    """The exchanges it rests on, as they happened."""
    notes: tuple[str, ...] = ()
    """What is worth knowing, in plain words."""

    def document(self) -> dict[str, Any]:
        """The finding as in the survey document; what identification adds (profile, identity) is
        null here."""
        return {
            "address": self.address,
            "settings": str(self.settings),
            "kind": str(self.kind),
            "latency_ms": None if self.latency is None else round(1000 * self.latency, 1),
            "profile": None,
            "match": None,
            "identity": None,
            "evidence": [e.received.hex(" ").upper() for e in self.evidence],
            "notes": list(self.notes),
        }

    def progress_document(self) -> dict[str, Any]:
        """All of the finding, to go on from after an interruption."""
        return {
            "address": self.address,
            "settings": str(self.settings),
            "kind": str(self.kind),
            "latency": self.latency,
            "evidence": [
                {"request": e.request.hex(), "received": e.received.hex(), "words": e.words}
                for e in self.evidence
            ],
            "notes": list(self.notes),
        }

    @classmethod
    def from_progress(cls, document: Mapping[str, Any]) -> Finding:
        """The reverse of `progress_document`; raises `KeyError`, `TypeError` or `ValueError` on
        anything else."""
        return cls(
            address=int(document["address"]),
            settings=LineSettings.parse(document["settings"]),
            kind=Kind(document["kind"]),
            latency=document["latency"],
            evidence=tuple(
                Evidence(bytes.fromhex(e["request"]), bytes.fromhex(e["received"]), str(e["words"]))
                for e in document["evidence"]
            ),
            notes=tuple(str(note) for note in document["notes"]),
        )

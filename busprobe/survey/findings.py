"""What the survey concludes of an address, and the evidence it rests on."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, Any

from busprobe.files.documents import HEX
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply

_SILENT_AT_END = "It answered at first and was silent at the end of the survey."


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

    request: Annotated[bytes, HEX]
    received: Annotated[bytes, HEX]
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
    """What the survey concluded of one place."""

    place: Place
    kind: Kind
    latency: float | None
    """Median seconds from the end of a request to the first byte of its reply."""
    evidence: tuple[Evidence, ...]
    """The exchanges it rests on, as they happened."""
    seen: tuple[str, ...] = ()
    """What the close look showed that is worth knowing, in plain words."""
    also_at: tuple[LineSettings, ...] = ()
    """Further line settings at which it answers."""
    silent_at_end: bool = False
    """Whether it gave no reply when it was asked again at the end of the survey."""

    @property
    def address(self) -> int:
        """Unit address."""
        return self.place.address

    @property
    def settings(self) -> LineSettings:
        """Line settings at which it answers."""
        return self.place.settings

    @property
    def notes(self) -> tuple[str, ...]:
        """All that is worth knowing, in plain words."""
        also = (f"Also answers at {settings}." for settings in self.also_at)
        at_end = (_SILENT_AT_END,) if self.silent_at_end else ()
        return (*self.seen, *also, *at_end)

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

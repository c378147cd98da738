"""What two visits, or a visit and the plan, do not agree on, as it stands in a bus list."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum

FORMAT = "busprobe.comparison/1"
"""Format name of the JSON document."""


class DifferenceKind(StrEnum):
    """What became different."""

    MISSING = "missing"
    EXTRA = "extra"
    MOVED = "moved"
    EXCHANGED = "exchanged"
    FIRMWARE = "firmware"
    SETTINGS = "settings"
    SLOWER = "slower"
    STATE = "state"
    NOT_LOOKED_FOR = "not looked for"


@dataclass(frozen=True)
class Difference:
    """Something that is not as it was."""

    kind: DifferenceKind
    address_before: int | None
    address_now: int | None
    words: str


@dataclass(frozen=True)
class Comparison:
    """All that two visits do not agree on, and what could not be held against each other."""

    differences: tuple[Difference, ...]
    not_compared: tuple[str, ...]

    def document(self) -> dict[str, object]:
        """As JSON can say it."""
        return {
            "differences": [asdict(difference) for difference in self.differences],
            "not_compared": list(self.not_compared),
        }


@dataclass(frozen=True)
class EarlierVisit:
    """An earlier job and what is not as it was then."""

    name: str
    """The earlier job file."""
    created: str
    """When that job was begun."""
    seen: str
    """When a unit last answered in that job; empty where none did."""
    tester: str
    comparison: Comparison

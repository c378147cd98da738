"""The seven steps by their names, in the order of the work."""

from __future__ import annotations

from enum import StrEnum


class StepName(StrEnum):
    """A step, by the name that stands on the rail."""

    PORT = "Port"
    WIRING = "Wiring"
    SURVEY = "Survey"
    IDENTIFY = "Identify"
    READDRESS = "Readdress"
    PROVE = "Prove"
    HAND_OVER = "Hand over"

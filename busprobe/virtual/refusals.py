"""How a simulated unit says no."""

from __future__ import annotations

from enum import IntEnum


class Refusal(IntEnum):
    """The exception codes a simulated unit gives (MODBUS Application Protocol V1.1b3, section
    7)."""

    ILLEGAL_FUNCTION = 1
    ILLEGAL_DATA_ADDRESS = 2
    ILLEGAL_DATA_VALUE = 3
    SERVER_DEVICE_FAILURE = 4
    """What many units give to a write while they are locked (common practice)."""


class Refused(Exception):  # noqa: N818 - a refusal is an answer of the unit, not an error of ours
    """The unit will not do what it was asked."""

    def __init__(self, code: Refusal) -> None:
        self.code = code
        super().__init__(code.name)

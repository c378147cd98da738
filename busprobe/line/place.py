"""Where a unit is: its unit address and the line settings at which it answers there."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings, text_schema

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

HIGHEST_ADDRESS = 255
"""The highest number that fits the address byte; 248 to 255 are reserved by the standard (MODBUS
over Serial Line V1.02, section 2.2), and some units have a service address there."""

_PATTERN = re.compile(r"([0-9]{1,3}) (\S+)")


@dataclass(frozen=True, order=True)
class Place:
    """One unit address at one line setting: what tells units of one segment apart.

    Ordered by unit address, then by line settings.  Its text form is ``12 9600-8N1``.
    """

    address: int
    """Unit address, 0 to 255."""
    settings: LineSettings

    def __str__(self) -> str:
        return f"{self.address} {self.settings}"

    @classmethod
    def parse(cls, text: str) -> Place:
        """Read ``12 9600-8N1``; raises `UsageError` on anything else."""
        match = _PATTERN.fullmatch(text.strip())
        if match is None or int(match[1]) > HIGHEST_ADDRESS:
            raise UsageError(
                f"'{text}' is not a place on the bus.",
                todo="Write unit address and line settings, like 12 9600-8N1.",
            )
        return cls(int(match[1]), LineSettings.parse(match[2]))

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: Any, _handler: Any) -> CoreSchema:
        return text_schema(cls, cls.parse)

    @property
    def words(self) -> str:
        """The place in words, the address in decimal and hexadecimal."""
        return f"unit address {self.address} (0x{self.address:02X}) at {self.settings}"

"""Line settings and the times that follow from them.

Source: MODBUS over Serial Line V1.02, sections 2.5.1 (characters) and 2.5.1.1 (timing).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any

from busprobe.errors import UsageError

if TYPE_CHECKING:
    from pydantic_core import CoreSchema

COMMON_BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
"""The baud rates units are met with; 9600 and 19200 are required by the standard (section 3.2)."""

COMMON_FORMATS = ("8N1", "8E1", "8O1", "8N2")
"""The character formats units are met with; the standard asks for 11 bits, 8N1 is common practice.
"""

FIXED_TIMES_ABOVE = 19200
"""Above this baud rate the frame timers stop following the rate (section 2.5.1.1)."""

_PATTERN = re.compile(r"(\d{3,7})-([78])([NEO])([12])", re.IGNORECASE)


class Parity(StrEnum):
    """Parity of a character, by the letter used in line settings."""

    NONE = "N"
    EVEN = "E"
    ODD = "O"


@dataclass(frozen=True, order=True)
class LineSettings:
    """Baud rate and character format of a serial line, written ``9600-8N1``."""

    baud: int = 19200
    """Bits per second."""
    data_bits: int = 8
    """Data bits a character: 8 in RTU (section 2.5.1)."""
    parity: Parity = Parity.EVEN
    stop_bits: int = 1

    def __post_init__(self) -> None:
        if not 300 <= self.baud <= 4_000_000 or self.data_bits != 8 or self.stop_bits not in (1, 2):
            raise UsageError(
                f"{self.baud}-{self.data_bits}{self.parity}{self.stop_bits} is not a usable line"
                " setting.",
                means=(
                    "Modbus RTU takes 8 data bits (MODBUS over Serial Line V1.02, section 2.5.1)."
                    if self.data_bits != 8
                    else ""
                ),
                todo="Baud rates go from 300 to 4000000, with 8 data bits and 1 or 2 stop bits.",
            )

    @classmethod
    def parse(cls, text: str) -> LineSettings:
        """Read ``BAUD-8PS``, for example ``19200-8E1``; raises `UsageError` on anything else."""
        match = _PATTERN.fullmatch(text.strip())
        if match is None:
            raise UsageError(
                f"'{text}' is not a line setting.",
                todo="Write baud rate, data bits, parity (N, E or O) and stop bits, like 9600-8N1.",
            )
        baud, data_bits, parity, stop_bits = match.groups()
        return cls(int(baud), int(data_bits), Parity(parity.upper()), int(stop_bits))

    def __str__(self) -> str:
        return f"{self.baud}-{self.format}"

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: Any, _handler: Any) -> CoreSchema:
        return text_schema(cls, cls.parse)

    @property
    def format(self) -> str:
        """The character format alone: ``8N1``."""
        return f"{self.data_bits}{self.parity}{self.stop_bits}"

    @cached_property
    def bits_per_character(self) -> int:
        """Start, data, parity and stop bits together; 11 in the standard's own format."""
        return 1 + self.data_bits + (self.parity is not Parity.NONE) + self.stop_bits

    @property
    def bit_time(self) -> float:
        """Seconds one bit takes."""
        return 1 / self.baud

    @cached_property
    def character_time(self) -> float:
        """Seconds one character takes."""
        return self.bits_per_character / self.baud

    @property
    def t1_5(self) -> float:
        """Longest silence allowed inside a frame, in seconds (750 µs above 19200 baud)."""
        return 0.000750 if self.baud > FIXED_TIMES_ABOVE else 1.5 * self.character_time

    @property
    def t3_5(self) -> float:
        """Shortest silence between frames, in seconds (1.75 ms above 19200 baud)."""
        return 0.001750 if self.baud > FIXED_TIMES_ABOVE else 3.5 * self.character_time

    def wire_time(self, byte_count: int) -> float:
        """Seconds that `byte_count` characters sent back to back take."""
        return byte_count * self.character_time


def text_schema(kind: type, parse: Callable[[str], object]) -> CoreSchema:
    """How pydantic reads and writes a value that is a text in every document."""
    from pydantic_core import core_schema

    def read(given: Any) -> object:
        if isinstance(given, kind):
            return given
        try:
            return parse(str(given))
        except UsageError as error:
            raise ValueError(f"{error.what} {error.todo}") from None

    return core_schema.no_info_plain_validator_function(
        read, serialization=core_schema.to_string_ser_schema()
    )

"""What tells a device type from others: its words, its identification objects, its registers."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from busprobe.profiles.fields import Name, ProfilePart, RegisterFunction, RegisterNumber, Word
from busprobe.text import visible


class TextTest(ProfilePart):
    """What a text that the unit gives has to be; exactly one of the three."""

    equals: Name | None = Field(default=None, description="The whole text.")
    starts_with: Name | None = Field(default=None, description="What the text begins with.")
    contains: Name | None = Field(default=None, description="What stands somewhere in the text.")

    def passes(self, text: str) -> bool:
        """Whether `text`, as `busprobe.text.from_device` gives it, is as expected."""
        if self.equals is not None:
            return text == visible(self.equals)
        if self.starts_with is not None:
            return text.startswith(visible(self.starts_with))
        return visible(self.contains or "") in text

    @property
    def words(self) -> str:
        """The expectation in words: ``'DX-8'``, ``'CD-2' at its start``."""
        if self.equals is not None:
            return f"'{self.equals}'"
        if self.starts_with is not None:
            return f"'{self.starts_with}' at its start"
        return f"'{self.contains}' in it"


class ObjectTest(TextTest):
    """One device identification object and its expected text."""

    object: Annotated[int, Field(strict=True, ge=0, le=255)] = Field(
        description=(
            "Object id of device identification (43/14): 0 vendor name, 1 product code, 2 revision,"
            " 4 product name, 5 model name, 0x80 and above the maker's own."
        )
    )


class RegisterTest(ProfilePart):
    """One register that the unit has, with what must be in it; without `equals`, `min` and `max`
    any value will do."""

    function: RegisterFunction = Field(
        description="Function code that reads it: 3 holding register, 4 input register."
    )
    at: RegisterNumber = Field(
        alias="register",
        description="Register in the data sheet's own numbering; one whose value stays as given.",
    )
    mask: Word = Field(
        default=0xFFFF, description="Bits to look at, like 0xFF00; all if not given."
    )
    equals: Word | None = Field(default=None, description="The value after masking.")
    min: Word | None = Field(default=None, description="Lowest value after masking.")
    max: Word | None = Field(default=None, description="Highest value after masking.")
    meaning: Name | None = Field(
        default=None, description="What the register holds, like 'firmware version'."
    )

    @property
    def lowest(self) -> int:
        """Lowest value that passes, after masking."""
        return self.equals if self.equals is not None else self.min or 0

    @property
    def highest(self) -> int:
        """Highest value that passes, after masking."""
        if self.equals is not None:
            return self.equals
        return self.mask if self.max is None else self.max

    def passes(self, value: int) -> bool:
        """Whether `value`, the whole unsigned register, is as expected."""
        return self.lowest <= value & self.mask <= self.highest


class Fingerprint(ProfilePart):
    """What tells this unit from others; all that is given must fit."""

    server_id: TextTest | None = Field(
        default=None, description="Text of the server id (function code 17)."
    )
    objects: tuple[ObjectTest, ...] = Field(
        default=(), description="Device identification objects (43/14)."
    )
    registers: tuple[RegisterTest, ...] = Field(
        default=(),
        description="Registers that other units are unlikely to have or to fill the same way.",
    )

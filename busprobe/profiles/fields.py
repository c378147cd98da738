"""The kinds of fields that profile files are made of, each checked and turned into what the program
works with."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    InstanceOf,
    PlainSerializer,
    StringConstraints,
    ValidationInfo,
)

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import LAST, format_addresses, parse_addresses
from busprobe.profiles.registers import OF_BITS, Register, from_sheet

MOST_REGISTERS = 125
"""Registers one request may read (MODBUS Application Protocol V1.1b3, sections 6.3 and 6.4)."""

MOST_BITS = 2000
"""Coils or discrete inputs one request may read (V1.1b3 sections 6.1 and 6.2)."""

_LONGEST_SLUG = 60
_SLUG = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")


def most_at_once(function: int, registers: int = MOST_REGISTERS) -> int:
    """Elements that a unit which gives so many `registers` in one request gives by `function`: of
    bits as many as take the same bytes."""
    return min(MOST_BITS, 16 * registers) if function in OF_BITS else registers


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(f"'{text}' holds characters that do not print; write plain text")
    return text


def is_slug(text: str) -> bool:
    """Whether `text` may be the id of a profile: lower-case letters and digits, in words parted by
    hyphens."""
    return len(text) <= _LONGEST_SLUG and _SLUG.fullmatch(text) is not None


def _slug(text: str) -> str:
    if not _SLUG.fullmatch(text):
        raise ValueError(
            f"'{text}' should be lower-case letters and digits, in words parted by hyphens"
        )
    return text


def _register(value: object, info: ValidationInfo) -> Register:
    if isinstance(value, Register):
        return value
    if not isinstance(value, int) or isinstance(value, bool):
        raise ValueError("should be a register number like 40 or 0x0028")
    if not isinstance(info.context, dict):
        raise TypeError(
            "register numbers mean nothing without their numbering; use busprobe.profiles.loading"
        )
    return from_sheet(value, info.context["numbering"])


def _settings(value: object) -> LineSettings:
    if isinstance(value, LineSettings):
        return value
    try:
        return LineSettings.parse(str(value))
    except UsageError as error:
        raise ValueError(f"{error.what} {error.todo}") from error


def _unit_addresses(value: object) -> tuple[int, ...]:
    try:
        addresses = parse_addresses(str(value))
    except UsageError as error:
        raise ValueError(f"{error.what} {error.todo}") from error
    if addresses[-1] > LAST:
        raise ValueError(f"unit addresses go from 1 to {LAST}; {addresses[-1]} is reserved")
    return addresses


def _both_numbers(register: Register) -> dict[Literal["wire", "sheet"], int]:
    return {"wire": register.wire, "sheet": register.sheet}


Name = Annotated[str, StringConstraints(min_length=1, max_length=40), AfterValidator(_printable)]
Slug = Annotated[str, StringConstraints(max_length=_LONGEST_SLUG), AfterValidator(_slug)]
UnitOfMeasure = Annotated[str, StringConstraints(max_length=12), AfterValidator(_printable)]
Sentence = Annotated[
    str, StringConstraints(min_length=1, max_length=400), AfterValidator(_printable)
]
Word = Annotated[int, Field(strict=True, ge=0, le=0xFFFF)]
Number = Annotated[float, Field(allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
RegisterNumber = Annotated[
    InstanceOf[Register],
    BeforeValidator(_register),
    PlainSerializer(_both_numbers),
]
Settings = Annotated[
    InstanceOf[LineSettings], BeforeValidator(_settings), PlainSerializer(str, return_type=str)
]
Addresses = Annotated[
    tuple[int, ...],
    BeforeValidator(_unit_addresses),
    PlainSerializer(format_addresses, return_type=str),
]
ReadFunction = Literal[1, 2, 3, 4]
RegisterFunction = Literal[3, 4]


class ProfilePart(BaseModel):
    """Base of all parts of a profile: unknown fields are mistakes, nothing changes after loading.

    The field ``register`` of a file is the attribute `at`, since pydantic keeps the other name for
    itself.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

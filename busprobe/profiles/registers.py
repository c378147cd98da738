"""Registers: the data sheet's own number, the address that goes on the wire, and what shares a
register.

Sources: MODBUS Application Protocol V1.1b3, section 4.4 (element X of a data sheet that counts from
1 is address X-1 on the wire); the five and six digit references, whose first digit names the table,
are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

HIGHEST = 0xFFFF
"""The highest register address (V1.1b3 section 4.4)."""

READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
"""The function codes that read coils, discrete inputs, holding registers and input registers
(V1.1b3 sections 6.1 to 6.4)."""

READ_ONLY = (READ_DISCRETE, READ_INPUT)
"""Those that read what no master can write (V1.1b3 section 4.3)."""

OF_BITS = (READ_COILS, READ_DISCRETE)
"""Those that read single bits."""

WRITE_ONE = 6
"""The function code that writes a single register (V1.1b3 section 6.6)."""

_TABLES = {"0": READ_COILS, "1": READ_DISCRETE, "3": READ_INPUT, "4": READ_HOLDING}
"""First digit of a reference to the function code that reads its table."""


_DIGITS = 5
"""Digits of a short reference."""


class Numbering(StrEnum):
    """How a data sheet counts registers."""

    WIRE = "wire"
    """From 0, as on the wire."""
    ONE_BASED = "one-based"
    """From 1."""
    REFERENCE = "reference"
    """Five or six digits: 30001 or 300001 is the first input register, 40001 or 400001 the first
    holding register, 10001 the first discrete input, 00001 (1) the first coil."""


class AddressPart(StrEnum):
    """Which part of its register the unit address takes."""

    WHOLE = "whole"
    HIGH_BYTE = "high-byte"
    """The low byte holds something else, often the code of the baud rate (common practice)."""
    LOW_BYTE = "low-byte"
    """The high byte holds something else."""

    @property
    def words(self) -> str:
        """The part in words, as of one register: ``its high byte``."""
        return "it" if self is AddressPart.WHOLE else f"its {self.replace('-', ' ')}"

    def read(self, value: int) -> int:
        """The address in a register that holds `value`."""
        match self:
            case AddressPart.WHOLE:
                return value
            case AddressPart.HIGH_BYTE:
                return value >> 8
            case AddressPart.LOW_BYTE:
                return value & 0xFF

    def put(self, value: int, address: int) -> int:
        """The register's `value` with `address` in this part and the rest as it was."""
        match self:
            case AddressPart.WHOLE:
                return address
            case AddressPart.HIGH_BYTE:
                return address << 8 | value & 0xFF
            case AddressPart.LOW_BYTE:
                return value & 0xFF00 | address


@dataclass(frozen=True, order=True)
class Register:
    """One register under both its numbers."""

    wire: int
    """Zero-based, as it goes on the wire."""
    sheet: int
    """As the data sheet numbers it."""
    function: int | None = field(default=None, compare=False, repr=False)
    """The function code that a reference implies; None for the other numberings."""

    def __str__(self) -> str:
        known_as = "" if self.sheet == self.wire else f", data sheet {self.sheet}"
        return f"{self.wire} (0x{self.wire:04X}{known_as})"


def from_sheet(number: int, numbering: Numbering) -> Register:
    """The register that a data sheet calls `number`; raises `ValueError` with a sentence where
    there is none."""
    match numbering:
        case Numbering.WIRE:
            wire, lowest, highest = number, 0, HIGHEST
        case Numbering.ONE_BASED:
            wire, lowest, highest = number - 1, 1, HIGHEST + 1
        case Numbering.REFERENCE:
            return _dereferenced(number)
    if not 0 <= wire <= HIGHEST:
        raise ValueError(
            f"{number} is no register: with numbering '{numbering}' they go from {lowest} to"
            f" {highest}"
        )
    return Register(wire, number)


def _dereferenced(number: int) -> Register:
    # TOML writes no leading zeros: 1 is 00001, the first coil.
    digits = str(number).zfill(_DIGITS)
    wire = int(digits[1:]) - 1 if number > 0 else -1
    if len(digits) > _DIGITS + 1 or digits[0] not in _TABLES or not 0 <= wire <= HIGHEST:
        raise ValueError(
            f"{number} is no register reference: write 30001 or 300001 for the first input"
            " register, 40001 or 400001 for the first holding register, 10001 or 100001 for the"
            " first discrete input, 1 for the first coil"
        )
    return Register(wire, number, _TABLES[digits[0]])


def reference(function: int, wire: int) -> str:
    """The reference of what `function` reads at zero-based `wire`: its table's digit and the number
    counted from 1, five digits, or six where that goes beyond 9999.

    The four tables and the counting from 1 are those of V1.1b3 sections 4.3 and 4.4; putting a
    digit before the number is common practice and in no standard.
    """
    [table] = (digit for digit, reads in _TABLES.items() if reads == function)
    return f"{table}{wire + 1:0{_DIGITS - 1}}"

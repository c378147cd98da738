"""The registers of a simulated unit: values as words, some of them moving with time."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence

from busprobe.virtual.schema import Value

_LAYOUT = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
LIMITS = {
    "int16": (-0x8000, 0x7FFF),
    "uint16": (0, 0xFFFF),
    "int32": (-(2**31), 2**31 - 1),
    "uint32": (0, 2**32 - 1),
}
"""Lowest and highest count that an integer type holds."""


class RegisterTable:
    """One table of registers (holding or input)."""

    def __init__(
        self, values: Sequence[Value], set_to: Mapping[str, int | float | str], serial: str
    ) -> None:
        """Hold `values`, those named in `set_to` with what stands there."""
        self._serial = serial
        self._values = [
            v.model_copy(update={"value": set_to[v.name]}) if v.name in set_to else v
            for v in values
        ]
        self._place = {
            value.at + offset: (value, offset)
            for value in self._values
            for offset in range(value.registers)
        }
        self._written: dict[int, int] = {}

    def read(self, register: int, moment: float) -> int | None:
        """The word in `register` at `moment` seconds; None if there is no such register."""
        if register not in self._place:
            return None
        if register in self._written:
            return self._written[register]
        value, offset = self._place[register]
        return encode(value, moment, self._serial)[offset]

    def writable(self, register: int) -> bool:
        """Whether `register` exists and may be written."""
        return register in self._place and self._place[register][0].writable

    def write(self, register: int, word: int) -> None:
        """Store `word` in a writable register."""
        self._written[register] = word


def encode(value: Value, moment: float, serial: str = "") -> list[int]:
    """The words of `value` at `moment` seconds."""
    if isinstance(value.value, str):
        text = value.value.replace("{serial}", serial).encode("latin-1", "replace")
        raw = text[: 2 * value.length].ljust(2 * value.length, b"\x00")
        return _words(raw)
    now = (
        value.value
        + value.swing * math.sin(2 * math.pi * moment / value.period)
        + value.rate * moment
    )
    if value.type == "float32":
        raw = struct.pack(_LAYOUT[value.type], now)
    else:
        lowest, highest = LIMITS[value.type]
        raw = struct.pack(_LAYOUT[value.type], min(max(round(now / value.scale), lowest), highest))
    words = _words(raw)
    if value.order in ("BADC", "DCBA"):
        words = [(word & 0xFF) << 8 | word >> 8 for word in words]
    return words[::-1] if value.order in ("CDAB", "DCBA") else words


def _words(raw: bytes) -> list[int]:
    return [int.from_bytes(raw[place : place + 2], "big") for place in range(0, len(raw), 2)]

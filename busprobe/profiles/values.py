"""Registers to engineering units.

Inside a register the high byte comes first (MODBUS Application Protocol V1.1b3, section 4.2); in which order the
registers of a longer value come is up to the maker and stated by the point.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from busprobe.profiles.plan import Registers
from busprobe.profiles.schema import Point, PointType, Profile, WordOrder
from busprobe.text import from_device

Value = int | float | str | None

_FLOATS = {PointType.FLOAT32: (">f", 7), PointType.FLOAT64: (">d", 15)}
"""Format for `struct`, and the decimal digits that every such number keeps (IEEE 754)."""


@dataclass(frozen=True)
class Reading:
    """What the registers of a point said."""

    point: Point
    registers: tuple[int, ...]
    """Raw, in the order they came."""
    value: Value
    """In the point's unit; the number itself for bits and enum; None where there is no value."""
    text: str
    """The value for a person, with its unit."""
    plausible: bool | None
    """Whether the value makes sense; None where the profile does not say what would."""

    def document(self) -> dict[str, object]:
        """The reading for a JSON document."""
        return {
            "name": self.point.name,
            "function": self.point.function,
            "register": self.point.at.wire,
            "count": self.point.count,
            "type": str(self.point.type),
            "unit": self.point.unit,
            "scale": self.point.scale,
            "registers": list(self.registers),
            "value": self.value,
            "text": self.text,
            "plausible": self.plausible,
        }


def readings(profile: Profile, registers: Registers) -> tuple[Reading, ...]:
    """A reading of each point of `profile` whose registers were all read; points without are left out."""
    found = []
    for point in profile.points:
        raw = [registers.get((point.function, point.at.wire + i)) for i in range(point.count)]
        values = tuple(value for value in raw if value is not None)
        if len(values) == point.count:
            found.append(decode(point, values))
    return tuple(found)


def decode(point: Point, registers: Sequence[int]) -> Reading:
    """Decode the registers of `point`; raises `ValueError` if their number is not the point's."""
    raw = tuple(registers)
    if len(raw) != point.count:
        raise ValueError(f"{point.name} takes {point.count} registers, not {len(raw)}")
    data = in_order(raw, point.order)
    code = int.from_bytes(data, "big")
    if code in point.no_value:
        return Reading(point, raw, None, "no value", None)
    match point.type:
        case PointType.TEXT:
            text = from_device(data)
            return Reading(point, raw, text, text, None)
        case PointType.ENUM:
            name = point.names.get(code)
            return Reading(point, raw, code, f"{code} (no such state)" if name is None else name, name is not None)
        case PointType.BITS:
            return Reading(point, raw, code, _bits(point, code), None)
        case PointType.FLOAT32 | PointType.FLOAT64:
            return _float(point, raw, data)
        case _:
            number = int.from_bytes(data, "big", signed=point.type.is_signed)
            exact = _decimal(point.scale) * number + _decimal(point.offset)
            value = int(exact) if exact == exact.to_integral_value() and not _fraction_digits(point) else float(exact)
            return _number(point, raw, value, f"{exact:.{_fraction_digits(point)}f}")


def in_order(registers: Sequence[int], order: WordOrder) -> bytes:
    """The bytes of registers that came in `order`, most significant first."""
    words = reversed(registers) if order.words_reversed else registers
    return b"".join(word.to_bytes(2, "little" if order.bytes_reversed else "big") for word in words)


def _float(point: Point, raw: tuple[int, ...], data: bytes) -> Reading:
    form, digits = _FLOATS[point.type]
    (number,) = struct.unpack(form, data)
    value = number * point.scale + point.offset
    if not math.isfinite(value):
        return Reading(point, raw, None, "not a number" if math.isnan(value) else "infinite", False)
    return _number(point, raw, value, f"{value:.{digits}g}")


def _number(point: Point, raw: tuple[int, ...], value: int | float, digits: str) -> Reading:
    low, high = point.plausible_min, point.plausible_max
    plausible = (
        None if low is None and high is None else (low is None or low <= value) and (high is None or value <= high)
    )
    return Reading(point, raw, value, f"{digits} {point.unit}".rstrip(), plausible)


def _bits(point: Point, code: int) -> str:
    on = [point.names.get(bit, f"bit {bit}") for bit in range(16) if code >> bit & 1]
    return f"0x{code:04X}" + (f" ({', '.join(on)})" if on else " (none set)")


def _decimal(number: float) -> Decimal:
    """`number` as it was written, so that 3 times 0.1 is 0.3."""
    return Decimal(repr(number)).normalize()


def _fraction_digits(point: Point) -> int:
    """Digits behind the decimal point that the point's scale and offset can give."""
    exponents = (_decimal(number).as_tuple().exponent for number in (point.scale, point.offset))
    return max(0, *(-exponent for exponent in exponents if isinstance(exponent, int)))

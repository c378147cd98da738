"""Registers to engineering units.

Inside a register the high byte comes first (MODBUS Application Protocol V1.1b3, section 4.2); in
which order the registers of a longer value come is up to the maker and stated by the point.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from busprobe.profiles.read_requests import Registers
from busprobe.profiles.schema import Point, PointType, Profile, WordOrder
from busprobe.text import from_device

Value = int | float | str | None

_FLOATS = {PointType.FLOAT32: (">f", 7), PointType.FLOAT64: (">d", 15)}
"""Format for `struct`, and the decimal digits that every such number keeps (IEEE 754)."""


_MOST_DIGITS = 10
"""Digits behind the decimal point that the smallest scale of a register gives."""


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
    scale: float
    """What the raw number was multiplied by: the point's own scale and that of its scale register.
    """

    def document(self) -> dict[str, object]:
        """The reading for a JSON document."""
        return {
            "name": self.point.name,
            "function": self.point.function,
            "register": self.point.at.wire,
            "sheet_register": self.point.at.sheet,
            "count": self.point.count,
            "type": str(self.point.type),
            "unit": self.point.unit,
            "scale": self.scale,
            "scale_register": (
                self.point.scale_register.at.wire if self.point.scale_register else None
            ),
            "registers": list(self.registers),
            "value": self.value,
            "text": self.text,
            "plausible": self.plausible,
        }


def readings(profile: Profile, registers: Registers) -> tuple[Reading, ...]:
    """A reading of each point of `profile` whose registers, that of its scale too, were all
    read."""
    found = []
    for point in profile.points:
        wanted = [(point.function, point.at.wire + i) for i in range(point.count)]
        if point.scale_register:
            wanted.append((point.function, point.scale_register.at.wire))
        words = [word for key in wanted if (word := registers.get(key)) is not None]
        if len(words) == len(wanted):
            found.append(decode(point, words[: point.count], *words[point.count :]))
    return tuple(found)


def decode(point: Point, registers: Sequence[int], scale_word: int | None = None) -> Reading:
    """Decode the registers of `point`, with what its scale register holds if it has one.

    Raises `ValueError` if their number is not the point's, or the scale is missing.
    """
    raw = tuple(registers)
    if len(raw) != point.count:
        raise ValueError(f"{point.name} takes {point.count} registers, not {len(raw)}")
    data = in_order(raw, point.order)
    code = int.from_bytes(data, "big")
    if point.first_bit is not None:
        code = (code & point.mask) >> point.first_bit
    if code in point.no_value:
        return Reading(point, raw, None, "no value", None, point.scale)
    match point.type:
        case PointType.TEXT:
            text = from_device(data)
            return Reading(point, raw, text, text, None, point.scale)
        case PointType.ENUM:
            name = point.names.get(code)
            text = f"{code} (no such state)" if name is None else name
            return Reading(point, raw, code, text, name is not None, point.scale)
        case PointType.BOOL:
            text = point.names.get(code, "on" if code else "off")
            return Reading(point, raw, code, text, None, point.scale)
        case PointType.BITS:
            return Reading(point, raw, code, _bits(point, code), None, point.scale)
    scale = point.scale
    if point.scale_register is not None:
        if scale_word is None:
            raise ValueError(f"{point.name} needs its scale register too")
        stated = point.scale_register.scale(scale_word)
        if stated is None:
            return Reading(
                point, raw, None, f"no scale (its register holds 0x{scale_word:04X})", False, scale
            )
        scale = float(_decimal(scale) * _decimal(stated))
    if point.type in _FLOATS:
        return _float(point, raw, data, scale)
    number = _whole(point, code)
    if number is None:
        return Reading(point, raw, None, f"no BCD number (0x{data.hex().upper()})", False, scale)
    exact = _decimal(scale) * number + _decimal(point.offset)
    digits = _fraction_digits(scale, point.offset)
    value = int(exact) if exact == exact.to_integral_value() and not digits else float(exact)
    return _number(point, raw, value, f"{exact:.{digits}f}", scale)


def _whole(point: Point, code: int) -> int | None:
    """The whole number that the bits of a point hold; None where they hold none."""
    sign = 1 << 16 * point.count - 1
    if point.type.is_bcd:
        digits = f"{code:X}"
        return int(digits) if digits.isdecimal() else None
    if point.type.is_magnitude:
        return -(code - sign) if code & sign else code
    return code - 2 * sign if point.type.is_signed and code & sign else code


def in_order(registers: Sequence[int], order: WordOrder) -> bytes:
    """The bytes of registers that came in `order`, most significant first."""
    words = reversed(registers) if order.words_reversed else registers
    return b"".join(word.to_bytes(2, "little" if order.bytes_reversed else "big") for word in words)


def _float(point: Point, raw: tuple[int, ...], data: bytes, scale: float) -> Reading:
    form, digits = _FLOATS[point.type]
    (number,) = struct.unpack(form, data)
    value = number * scale + point.offset
    if not math.isfinite(value):
        return Reading(
            point, raw, None, "not a number" if math.isnan(value) else "infinite", False, scale
        )
    return _number(point, raw, value, f"{value:.{digits}g}", scale)


def _number(point: Point, raw: tuple[int, ...], value: float, digits: str, scale: float) -> Reading:
    low, high = point.plausible_min, point.plausible_max
    plausible = (
        None
        if low is None and high is None
        else (low is None or low <= value) and (high is None or value <= high)
    )
    return Reading(point, raw, value, f"{digits} {point.unit}".rstrip(), plausible, scale)


def _bits(point: Point, code: int) -> str:
    on = [point.names.get(bit, f"bit {bit}") for bit in range(16 * point.count) if code >> bit & 1]
    return f"0x{code:0{4 * point.count}X}" + (f" ({', '.join(on)})" if on else " (none set)")


def _decimal(number: float) -> Decimal:
    """`number` as it was written, so that 3 times 0.1 is 0.3."""
    return Decimal(repr(number)).normalize()


def decimals(point: Point) -> int | None:
    """Digits behind the decimal point that a master shows; None where that is no number, or its
    digits follow from the value."""
    if point.decimals is not None or not point.type.is_number:
        return point.decimals
    if point.type.is_float or point.scale_register is not None:
        return None
    return _fraction_digits(point.scale, point.offset)


def _fraction_digits(*numbers: float) -> int:
    """Digits behind the decimal point that scale and offset can give; no more than an inexact one
    (1/3) deserves."""
    exponents = (_decimal(number).as_tuple().exponent for number in numbers)
    return min(
        _MOST_DIGITS, max(0, *(-exponent for exponent in exponents if isinstance(exponent, int)))
    )

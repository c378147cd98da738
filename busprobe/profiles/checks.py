"""Mistakes that concern more than one field of a profile.

They are looked for in all parts that are sound by themselves, so that a file's mistakes come out
together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from busprobe.files.toml_file import FieldPath, Found
from busprobe.profiles.changes import (
    Change,
    Effect,
    FurtherWrite,
    LineChange,
    Readdress,
    SettingRegister,
)
from busprobe.profiles.fingerprint import Fingerprint, RegisterTest, TextTest
from busprobe.profiles.registers import (
    HIGHEST,
    OF_BITS,
    READ_DISCRETE,
    READ_HOLDING,
    READ_ONLY,
    WRITE_ONE,
    AddressPart,
    Register,
)
from busprobe.profiles.schema import Factory, Limits, Point, PointType, ToldObject, context_of

SMALLEST_FACTOR, LARGEST_FACTOR = 1e-9, 1e9
"""Scales and offsets beyond these, nano to giga, are taken for slips of the pen; signs do not
matter."""

BYTE = 0xFF
"""The highest code that half a register holds."""

_OF_NUMBERS = (
    "scale",
    "offset",
    "scale_register",
    "unit",
    "plausible_min",
    "plausible_max",
    "tolerance",
    "tolerance_percent",
    "decimals",
    "alarm_min",
    "alarm_max",
)
"""Fields of a point that mean nothing where it is no quantity."""

MOST_OF_BITS = 4
"""Registers that a field of bits may take, as many as the longest number."""

_Part = TypeVar("_Part", bound=BaseModel)


@dataclass(frozen=True)
class _Parts:
    """The parts of a file that are sound by themselves; an entry of a list goes with its index in
    it."""

    points: tuple[tuple[int, Point], ...]
    objects: tuple[tuple[int, ToldObject], ...]
    fingerprint: Fingerprint
    factory: Factory | None
    readdress: Readdress | None
    line_settings: LineChange | None
    limits: Limits


def check(data: Mapping[str, Any], *, file_stem: str) -> Iterator[Found]:
    """What is wrong in `data`, the tables of the profile file `file_stem`.toml, beyond its single
    fields."""
    parts = _sound_parts(data)
    if isinstance(stated := data.get("id"), str) and stated != file_stem:
        yield (
            ("id",),
            f"is '{stated}', but the file is named '{file_stem}.toml'; the two have to agree",
        )
    for index, point in parts.points:
        for field, what in _point_mistakes(point, parts.limits):
            yield ("points", index, field), what
    yield from _repeated_names(parts)
    yield from _overlaps(parts)
    yield from _object_mistakes(parts.objects)
    yield from _fingerprint_mistakes(parts.fingerprint)
    if parts.readdress:
        yield from _change_mistakes("readdress", parts.readdress)
        yield from _readdress_mistakes(parts, parts.readdress)
    if parts.line_settings:
        yield from _change_mistakes("line_settings", parts.line_settings)
        yield from _line_mistakes(parts.line_settings, parts.factory)


def _sound_parts(data: Mapping[str, Any]) -> _Parts:
    context = context_of(data)

    def sound(kind: type[_Part], value: object) -> _Part | None:
        try:
            return kind.model_validate(value, context=context)
        except ValidationError:
            return None

    def entries(kind: type[_Part], name: str) -> tuple[tuple[int, _Part], ...]:
        listed = data.get(name)
        found = (
            (i, sound(kind, raw))
            for i, raw in enumerate(listed if isinstance(listed, list) else ())
        )
        return tuple((i, entry) for i, entry in found if entry is not None)

    return _Parts(
        points=entries(Point, "points"),
        objects=entries(ToldObject, "objects"),
        fingerprint=sound(Fingerprint, data.get("fingerprint")) or Fingerprint(),
        factory=sound(Factory, data.get("factory")),
        readdress=sound(Readdress, data.get("readdress")),
        line_settings=sound(LineChange, data.get("line_settings")),
        limits=sound(Limits, data.get("limits")) or Limits(),
    )


def _point_mistakes(point: Point, limits: Limits) -> Iterator[tuple[str, str]]:
    kind = point.type
    if not SMALLEST_FACTOR <= abs(point.scale) <= LARGEST_FACTOR:
        yield (
            "scale",
            f"is {point.scale:g}; it should lie between {SMALLEST_FACTOR:g} and {LARGEST_FACTOR:g}",
        )
    if point.offset and not SMALLEST_FACTOR <= abs(point.offset) <= LARGEST_FACTOR:
        yield (
            "offset",
            (
                f"is {point.offset:g}; it should be 0 or lie between {SMALLEST_FACTOR:g} and"
                f" {LARGEST_FACTOR:g}"
            ),
        )
    if wrong_table := _wrong_table(point.at, point.function):
        yield "function", wrong_table
    if point.last > HIGHEST:
        yield "register", f"its {point.count} registers go beyond the last register, {HIGHEST}"
    if point.count > limits.registers:
        yield (
            "register",
            (
                f"it takes {point.count} registers, but the unit gives at most {limits.registers}"
                " in one request"
            ),
        )
    if kind is PointType.TEXT and point.length is None:
        yield "length", "has to be given for text"
    elif point.length is not None and not kind.has_length:
        yield "length", "is only for text and bits"
    elif kind is PointType.BITS and point.count > MOST_OF_BITS:
        yield "length", f"of bits is at most {MOST_OF_BITS} registers"
    if kind is PointType.TEXT and point.order.words_reversed:
        yield (
            "order",
            "of a text is ABCD or, with the second character of each register first, BADC",
        )
    if any(code >> (16 * point.count) for code in point.no_value):
        yield "no_value", f"holds a code that does not fit into {point.count} register(s)"
    if point.writable and point.function in READ_ONLY:
        what = "a discrete input" if point.function == READ_DISCRETE else "an input register"
        yield (
            "writable",
            f"is true, but what function {point.function} reads is {what}, which no master can"
            " write",
        )
    if point.function in OF_BITS and kind is not PointType.BOOL:
        yield "type", f"is {kind}, but function {point.function} reads single bits; write bool"
    elif point.function not in OF_BITS and kind is PointType.BOOL:
        yield "type", f"is bool, but function {point.function} reads registers; write bits"
    yield from _bit_field_mistakes(point)
    yield from _name_mistakes(point)
    if kind.is_number:
        yield from _range_mistakes(point)
        yield from _scale_register_mistakes(point)
    else:
        for field in _OF_NUMBERS:
            if field in point.model_fields_set:
                yield field, f"is only for numbers, not for {kind}"


def _bit_field_mistakes(point: Point) -> Iterator[tuple[str, str]]:
    if point.first_bit is None and point.bit_count is None:
        return
    if not point.type.may_be_part:
        what = f"are only for uint16, uint32, uint64 and enum, not for {point.type}"
        yield "first_bit", f"and bit_count {what}"
    elif point.bit_count is None or point.first_bit is None:
        given = "first_bit" if point.bit_count is None else "bit_count"
        missing = "bit_count" if point.bit_count is None else "first_bit"
        yield missing, f"is needed beside {given}"
    elif point.first_bit + point.bit_count > 16 * point.count:
        last, highest = point.first_bit + point.bit_count - 1, 16 * point.count - 1
        yield "bit_count", f"goes to bit {last}, beyond bit {highest} of {point.type}"


def _name_mistakes(point: Point) -> Iterator[tuple[str, str]]:
    if point.type is PointType.ENUM and not point.names:
        yield "names", "are missing: an enum needs the names of its values"
    elif point.type is PointType.BITS and any(bit >= 16 * point.count for bit in point.names):
        yield (
            "names",
            f"go beyond bit {16 * point.count - 1}, the highest bit of {point.count} register(s)",
        )
    elif point.type is PointType.BOOL and not point.names.keys() <= {0, 1}:
        yield "names", "of a bool are those of 0 and 1"
    elif point.names and point.type not in (PointType.ENUM, PointType.BITS, PointType.BOOL):
        yield "names", f"are only for enum, bits and bool, not for {point.type}"


def _range_mistakes(point: Point) -> Iterator[tuple[str, str]]:
    below, above = point.alarm_min, point.alarm_max
    if below is not None and above is not None and below >= above:
        yield (
            "alarm_min",
            f"is {below:g}, not below alarm_max, {above:g}: no value is without alarm",
        )
    low, high = point.plausible_min, point.plausible_max
    if low is not None and high is not None and low > high:
        yield "plausible_min", f"is {low:g}, above plausible_max, {high:g}"
        return
    if point.type.is_float or point.scale_register:
        return
    least, most = sorted(number * point.scale + point.offset for number in point.raw_range)
    if low is not None and low > most:
        yield (
            "plausible_min",
            f"is {low:g}, but the highest value that {point.type} and scale can give is {most:g}",
        )
    if high is not None and high < least:
        yield (
            "plausible_max",
            f"is {high:g}, but the lowest value that {point.type} and scale can give is {least:g}",
        )


def _scale_register_mistakes(point: Point) -> Iterator[tuple[str, str]]:
    if point.scale_register is None:
        return
    register = point.scale_register.at
    if wrong_table := _wrong_table(register, point.function):
        yield "scale_register", wrong_table
    if point.at.wire <= register.wire <= point.last:
        yield "scale_register", f"{register} is a register of the value itself"


def _repeated_names(parts: _Parts) -> Iterator[Found]:
    seen: dict[str, int] = {}
    for index, point in parts.points:
        first = seen.setdefault(point.name.casefold(), index)
        if first != index:
            yield (
                ("points", index, "name"),
                f"'{point.name}' is already the name of points.{first + 1}",
            )


def _overlaps(parts: _Parts) -> Iterator[Found]:
    for position, (index, point) in enumerate(parts.points):
        for other_index, other in parts.points[:position]:
            apart = (
                point.function != other.function
                or point.at.wire > other.last
                or other.at.wire > point.last
            )
            same = (point.at.wire, point.count, point.order) == (
                other.at.wire,
                other.count,
                other.order,
            )
            apart = apart or (same and not point.mask & other.mask)
            if not (apart or point.overlaps or other.overlaps):
                yield (
                    ("points", index, "register"),
                    (
                        f"reads registers of points.{other_index + 1} ('{other.name}'); correct one"
                        " of them, or say overlaps = true if that is meant"
                    ),
                )
    for index, point in parts.points:
        if point.scale_register is None:
            continue
        scale = point.scale_register.at.wire
        for other_index, other in parts.points:
            if other is point or other.function != point.function or other.count == 1:
                continue
            if other.at.wire <= scale <= other.last:
                yield (
                    ("points", index, "scale_register"),
                    f"register {scale} is part of points.{other_index + 1} ('{other.name}')",
                )


def _object_mistakes(objects: tuple[tuple[int, ToldObject], ...]) -> Iterator[Found]:
    for position, (index, one) in enumerate(objects):
        for first, other in objects[:position]:
            if one.object == other.object:
                yield (
                    ("objects", index, "object"),
                    f"0x{one.object:02X} is in objects.{first + 1} already",
                )
            elif one.tells is other.tells:
                yield (
                    ("objects", index, "tells"),
                    f"'{one.tells}' is told by objects.{first + 1} already",
                )


def _fingerprint_mistakes(fingerprint: Fingerprint) -> Iterator[Found]:
    if fingerprint.server_id:
        yield from _text_mistakes(("fingerprint", "server_id"), fingerprint.server_id)
    seen: set[int] = set()
    for index, test in enumerate(fingerprint.objects):
        place: FieldPath = ("fingerprint", "objects", index)
        yield from _text_mistakes(place, test)
        if test.object in seen:
            yield (*place, "object"), f"{test.object} is given twice"
        seen.add(test.object)
    for index, register in enumerate(fingerprint.registers):
        for field, what in _register_mistakes(register):
            yield ("fingerprint", "registers", index, field), what


def _text_mistakes(place: FieldPath, test: TextTest) -> Iterator[Found]:
    given = [text for text in (test.equals, test.starts_with, test.contains) if text is not None]
    if len(given) != 1:
        yield place, f"needs just one of equals, starts_with and contains, and has {len(given)}"


def _register_mistakes(test: RegisterTest) -> Iterator[tuple[str, str]]:
    if wrong_table := _wrong_table(test.at, test.function):
        yield "function", wrong_table
    if test.mask == 0:
        yield "mask", "is 0, which leaves nothing to look at"
    elif test.equals is not None and (test.min is not None or test.max is not None):
        yield "equals", "already says which value; leave out min and max"
    elif test.equals is not None and test.equals & ~test.mask:
        yield "equals", f"has bits outside the mask 0x{test.mask:04X} and can never fit"
    elif test.lowest > test.highest:
        yield "min", f"is {test.lowest}, above the highest possible value, {test.highest}"


def _readdress_mistakes(parts: _Parts, readdress: Readdress) -> Iterator[Found]:
    if readdress.at.function not in (None, READ_HOLDING):
        yield (
            ("readdress", "register"),
            f"{readdress.at.sheet} names an input register, which cannot be written",
        )
    wire = readdress.at.wire
    for index, point in parts.points:
        if point.function == READ_HOLDING and point.at.wire <= wire <= point.last:
            yield (
                ("points", index, "register"),
                (
                    f"covers register {wire}, which holds the unit address (readdress); one of them"
                    " is wrong"
                ),
            )
        scale = point.scale_register.at.wire if point.scale_register else None
        if point.function == READ_HOLDING and scale == wire:
            yield (
                ("points", index, "scale_register"),
                (
                    f"is register {wire}, which holds the unit address (readdress); one of them is"
                    " wrong"
                ),
            )
    for index, test in enumerate(parts.fingerprint.registers):
        if test.function == READ_HOLDING and test.at.wire == wire:
            yield (
                ("fingerprint", "registers", index, "register"),
                (
                    f"is register {wire}, which holds the unit address (readdress) and tells"
                    " nothing of the type"
                ),
            )


def _change_mistakes(place: str, change: Change) -> Iterator[Found]:
    for name in ("unlock", "save", "relock"):
        write: FurtherWrite | None = getattr(change, name)
        if write is not None and write.function == WRITE_ONE and len(write.values) > 1:
            yield (
                (place, name, "function"),
                f"is 6, which writes one register, not {len(write.values)}",
            )
    effects: list[tuple[FieldPath, Effect | None]] = [((place, "effect"), change.effect)]
    if isinstance(change, LineChange):
        effects += [
            ((place, name, "effect"), register.effect)
            for name, register in (("baud", change.baud), ("format", change.format))
            if register is not None
        ]
    for where, effect in effects:
        if effect is Effect.AFTER_SAVE and change.save is None:
            yield where, f"is after-save, but no write that saves is given ({place}.save)"
    if change.unlock_window_s is not None and change.unlock is None:
        yield (place, "unlock_window_s"), f"is given without a write that unlocks ({place}.unlock)"
    elif change.unlock_window_s is not None and change.unlock_window_s <= change.wait_s:
        yield (
            (place, "unlock_window_s"),
            f"is over before the unit answers again, {change.wait_s:g} s",
        )
    shared = [
        where
        for where, register in _registers(place, change)
        if register.part is not AddressPart.WHOLE
    ]
    if shared and not change.readable:
        yield (
            (*shared[0], "part"),
            "needs a register that can be read: the rest of it has to be kept",
        )
    if change.together:
        yield from _together_mistakes(place, change)


def _together_mistakes(place: str, change: Change) -> Iterator[Found]:
    where = (place, "together")
    wires = [register.wire for register in change.together]
    if wires != list(range(wires[0], wires[0] + len(wires))):
        yield where, "should be registers one after the other: one request writes no others"
    if not change.readable:
        yield where, "needs registers that can be read: those not changed have to be kept"
    for of, register in _registers(place, change):
        if register.at.wire not in wires:
            yield (
                where,
                f"lacks register {register.at}, which is written ({'.'.join(map(str, of))})",
            )
        if (register.function or change.function) == WRITE_ONE:
            yield (*of, "function"), f"is 6, which writes one register, not {len(wires)}"


def _registers(
    place: str, change: Change
) -> Iterator[tuple[FieldPath, Readdress | SettingRegister]]:
    """The registers of a change, each with its place in the file."""
    if isinstance(change, Readdress):
        yield (place,), change
    if isinstance(change, LineChange):
        for name, register in (("baud", change.baud), ("format", change.format)):
            if register is not None:
                yield (place, name), register


def _line_mistakes(change: LineChange, factory: Factory | None) -> Iterator[Found]:
    if change.baud is None and change.format is None:
        yield ("line_settings",), "needs baud, format or both"
    delivered = factory and factory.settings
    registers = (
        ("baud", change.baud, delivered and delivered.baud),
        ("format", change.format, delivered and delivered.format),
    )
    for name, register, at_delivery in registers:
        if register is None:
            continue
        codes: Mapping[int, int] | Mapping[str, int] = register.codes
        place = ("line_settings", name, "codes")
        if len(set(codes.values())) < len(codes):
            yield place, "gives one code to two settings, which could not be told apart"
        if register.part is not AddressPart.WHOLE and max(codes.values()) > BYTE:
            yield place, f"has a code beyond {BYTE}, which does not fit into the {register.part}"
        if at_delivery is not None and at_delivery not in codes:
            yield place, f"lacks {at_delivery}, the unit's setting at delivery"


def _wrong_table(register: Register, function: int) -> str | None:
    implied = register.function
    if implied in (None, function):
        return None
    return (
        f"is {function}, but {register.sheet} names an element that function {implied} reads; "
        "count with numbering one-based if the unit really reads it so"
    )

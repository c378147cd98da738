"""A line of a data sheet as somebody types it, in any order: ``40031 Wind speed m/s``.

A number alone is the register and a unit of measure the unit; types, byte orders and scales are
known by how they are written; the words that are left are the name.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from busprobe.errors import UsageError
from busprobe.profiles.drafting.interpretations import TYPICAL
from busprobe.profiles.schema import PointType, ScaleMeaning, WordOrder

SYNTAX = """\
40031 Wind speed m/s     a number alone is the register as the sheet
                         counts it (0x1F too); words left are the name
40031-40032              first and last register of the value
m/s  degC  kWh  [pulses] the unit; one not known goes in brackets
=23.5                    what the unit's own display shows for it now
x0.1  /10  0.1  0.1kW    scale
fc3  fc4                 function code that reads it
int16 U32 float REAL ..  type; text:8, bits:2: registers they take
ABCD CDAB BADC DCBA      order of the bytes
0=off 1=low_flow         names of states; 1="low flow" too
offset=-40 none=0x8000   added to the value; code for "no value"
min=0 max=100            plausible range
scale@40033              register of the scale (an exponent of 10);
                         scale@40033:factor, scale@40033:divisor too
is=serial                also is=maker, is=model, is=version
R/W  RO                  what a master may do with it; only noted
+-0.5  ±1%               tolerance against its display
ch=L1 about="set point"  circuit of a meter; what the sheet says
fixed                    every unit of the type holds the same there
"Phase 1" V              quotes keep numbers and units in a name"""
"""What can be written, for help screens."""

UNITS = {
    "degC": "°C", "'C": "°C", "ºC": "°C", "C": "°C", "degF": "°F", "F": "°F", "m3": "m³",
    "m3/h": "m³/h",
    "W/m2": "W/m²",
    "kwh": "kWh", "Kwh": "kWh", "KWh": "kWh", "KWH": "kWh", "hz": "Hz", "HZ": "Hz", "kw": "kW",
    "KW": "kW", "deg": "°",
    "1/min": "rpm",
}  # fmt: skip
"""How units of measure are typed on a keyboard, or printed in data sheets, to how they are written
here."""

TYPES = {
    "u16": PointType.UINT16, "s16": PointType.INT16, "i16": PointType.INT16,
    "u32": PointType.UINT32,
    "s32": PointType.INT32, "i32": PointType.INT32, "u64": PointType.UINT64, "s64": PointType.INT64,
    "i64": PointType.INT64, "f32": PointType.FLOAT32, "float": PointType.FLOAT32,
    "f64": PointType.FLOAT64,
    "double": PointType.FLOAT64, **{str(kind): kind for kind in PointType},
}  # fmt: skip
"""How data sheets write types, in small or capital letters."""

CAPITAL_TYPES = {
    "INT": PointType.INT16, "UINT": PointType.UINT16, "WORD": PointType.UINT16,
    "DINT": PointType.INT32,
    "UDINT": PointType.UINT32, "DWORD": PointType.UINT32, "LINT": PointType.INT64,
    "ULINT": PointType.UINT64,
    "REAL": PointType.FLOAT32, "LREAL": PointType.FLOAT64, "ASCII": PointType.TEXT,
}  # fmt: skip
"""Types in capital letters only, for in small ones they are words of names: real power.  All but
the last are elementary data types of IEC 61131-3 (from memory)."""

_TOKEN = re.compile(r'"([^"]*)"|([^\s"]*="[^"]*",?|\S+)')
_BRACKETED = re.compile(r"\[([^\[\]]+)\]")
_WHOLE = r"0x[0-9a-f]+|[0-9a-f]{4}h|\d+"
_REGISTERS = re.compile(rf"({_WHOLE})(?:(?:-|–|\.\.+|…)({_WHOLE}))?", re.IGNORECASE)
_DECIMAL = r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:e[+-]?\d+)?"
_RESOLUTION = re.compile(r"(0?[.,]\d+)(.*)")
"""Below 1, as a data sheet names what one count is worth: ``0.1`` or ``0.1kW``."""
_FUNCTION = re.compile(r"(?:fc|fn)0?([34])", re.IGNORECASE)
_LENGTH = re.compile(r"(text|bits):(\d+)")
_SCALE = re.compile(rf"([x*×/])({_DECIMAL})", re.IGNORECASE)
_SCALE_AT = re.compile(rf"scale@({_WHOLE})(?::(exponent|factor|divisor))?", re.IGNORECASE)
_FIELD = re.compile(rf"(offset|min|max)=({_DECIMAL})", re.IGNORECASE)
_FIELDS = {"offset": "offset", "min": "plausible_min", "max": "plausible_max"}
_NO_VALUE = re.compile(rf"none=({_WHOLE})", re.IGNORECASE)
_STATE = re.compile(r"(\d+)=(.+)")
_TELLS = re.compile(r"is=(\w+)")
_TOLERANCE = re.compile(rf"(?:±|\+/?-)({_DECIMAL})(%?)")
_NOTED = re.compile(r'(ch|about)="?([^"]+)"?')
_NOTES = {"ch": "channel", "about": "description"}
_ACCESS = {"R/W": True, "RW": True, "R/O": False, "RO": False}
"""How data sheets say whether a master may write; R alone may be a phase."""
_SHOWN = re.compile(r'="?([^"]+)"?')
_FIXED = "fixed"
_IN_ONE_PIECE = "Write it in one piece, as in 0=off; quotes make it part of the name."
_MARKS = re.compile(r"=|^scale@", re.IGNORECASE)
"""What is in no plain word of a name, so that a slip in a field does not end up there."""


def read_line(text: str) -> dict[str, Any]:
    """The point of a file of notes that a typed line stands for; raises `UsageError` where the line
    is not clear.

    What the fields may hold is for `busprobe.profiles.drafting.notes.notes` to say.
    """
    if text.count('"') % 2:
        raise UsageError("A quote is not closed.", todo='Put quotes on both sides: "Phase 1".')
    point: dict[str, Any] = {}
    name: list[str] = []
    units: list[tuple[int, str]] = []
    registers: list[re.Match[str]] = []
    for quoted, token in _TOKEN.findall(text):
        plain = _after_resolution(token, point)
        if not plain:
            name.append(quoted)
        elif found := _REGISTERS.fullmatch(plain):
            registers.append(found)
        elif (unit := _unit(plain)) is not None:
            units.append((len(name), unit))
            name.append(plain)
        elif not _take(plain, point):
            if _MARKS.search(plain):
                raise UsageError(f"'{plain}' is not understood.", todo=_IN_ONE_PIECE)
            name.append(plain)
    if units:
        place, unit = units[-1]  # the words before it may look like units too: Phase A current 31 A
        del name[place]
        point["unit"] = unit
    if len(registers) != 1:
        raise _unclear_register(registers)
    point = _between(registers[0]) | point
    if "names" in point and point.get("type") in (PointType.INT16, PointType.UINT16):
        del point["type"]  # states are numbers to a data sheet; here they are an enum, or bits
    if point.get("type") == PointType.TEXT and "length" not in point:
        raise UsageError(
            "It is not said how long the text is.",
            todo="Write its registers, two characters each: text:8",
        )
    return {
        "name": " ".join(part for part in name if part) or f"Register {point['register']}",
        **point,
    }


def write_line(point: Mapping[str, Any]) -> str:
    """The line that `read_line` makes `point` of."""
    return " ".join(_written(point))


def _between(named: re.Match[str]) -> dict[str, Any]:
    """The first register, and how many they are where the last is named too: ``40031-40032``."""
    first = _whole(named[1])
    if not named[2]:
        return {"register": first}
    count = _whole(named[2]) - first + 1
    if count < 1:
        raise UsageError(
            f"'{named[0]}' ends before it begins.", todo="Write both numbers in full: 40031-40032"
        )
    return {"register": first, "length": count}


def _unclear_register(registers: list[re.Match[str]]) -> UsageError:
    if not registers:
        return UsageError(
            "No register is named.", todo="Write its number as the data sheet does: 31 Wind m/s"
        )
    listed = " and ".join(named[0] for named in registers)
    return UsageError(
        f"{listed} could each be the register.",
        todo='Keep numbers of the name in quotes: "Phase 1" 31 V',
    )


def _unit(token: str) -> str | None:
    if bracketed := _BRACKETED.fullmatch(token):
        return bracketed[1]
    return token if token in TYPICAL else UNITS.get(token)


def _after_resolution(token: str, point: dict[str, Any]) -> str:
    """What is left of `token` when the scale that it may begin with, or be, is taken into
    `point`."""
    found = _RESOLUTION.fullmatch(token)
    if found and (scale := _decimal(found[1])) and (not found[2] or _unit(found[2])):
        point["scale"] = scale
        return found[2]
    return token


def _take(token: str, point: dict[str, Any]) -> bool:
    """Take `token` into `point` if it is one of the known ways to say something."""
    if kind := _type(token):
        point["type"] = str(kind)
    elif token.upper() in list(WordOrder):
        point["order"] = token.upper()
    elif found := _FUNCTION.fullmatch(token):
        point["function"] = int(found[1])
    elif found := _LENGTH.fullmatch(token):
        point |= {"type": found[1], "length": int(found[2])}
    elif (found := _SCALE.fullmatch(token)) and (scale := _decimal(found[2])):
        point["scale"] = 1 / scale if found[1] == "/" else scale
    elif found := _SCALE_AT.fullmatch(token):
        point["scale_register"] = {
            "register": _whole(found[1]),
            "means": (found[2] or ScaleMeaning.EXPONENT).lower(),
        }
    elif found := _FIELD.fullmatch(token):
        point[_FIELDS[found[1].lower()]] = _decimal(found[2])
    elif found := _NO_VALUE.fullmatch(token):
        point.setdefault("no_value", []).append(_whole(found[1]))
    elif found := _TELLS.fullmatch(token):
        point["tells"] = found[1]
    elif token in _ACCESS:
        point["writable"] = _ACCESS[token]
    elif found := _TOLERANCE.fullmatch(token):
        point["tolerance_percent" if found[2] else "tolerance"] = _decimal(found[1])
    elif found := _NOTED.fullmatch(token):
        point[_NOTES[found[1]]] = found[2]
    elif found := _STATE.fullmatch(token):
        point.setdefault("names", {})[found[1]] = found[2].strip('",').replace("_", " ")
    elif found := _SHOWN.fullmatch(token):
        point["shows"] = _shown(found[1])
    elif token == _FIXED:
        point["fixed"] = True
    else:
        return False
    return True


def _type(token: str) -> PointType | None:
    in_one_case = token in (token.lower(), token.upper())
    return CAPITAL_TYPES.get(token) or (TYPES.get(token.lower()) if in_one_case else None)


def _whole(text: str) -> int:
    digits = text.lower()
    return int(
        digits.removesuffix("h"), 16 if digits.startswith("0x") or digits.endswith("h") else 10
    )


def _decimal(text: str) -> float:
    return float(text.replace(",", "."))


def _shown(text: str) -> float | str:
    try:
        return _decimal(text)
    except ValueError:
        return text


def _is_name(token: str) -> bool:
    """Whether `token` can only be a word of a name."""
    known = _REGISTERS.fullmatch(token) or _RESOLUTION.match(token) or _MARKS.search(token)
    return not (known or _unit(token) or _take(token, {}))


def _written(point: Mapping[str, Any]) -> Iterator[str]:
    kind, length = point.get("type"), point.get("length")
    of_type = kind is not None and PointType(kind).has_length
    first = point["register"]
    yield f"{first}-{first + length - 1}" if length and not of_type else str(first)
    name = str(point["name"])
    if name != f"Register {point['register']}":
        plain = all(p and _is_name(p) for _, p in _TOKEN.findall(name))
        yield name if plain else f'"{name}"'
    if unit := point.get("unit"):
        yield unit if unit in TYPICAL else f"[{unit}]"
    if function := point.get("function"):
        yield f"fc{function}"
    if kind:
        yield f"{kind}:{length}" if length and of_type else kind
    if order := point.get("order"):
        yield order
    if "scale" in point:
        yield f"x{point['scale']:.12g}"
    if scale := point.get("scale_register"):
        yield f"scale@{scale['register']}:{scale['means']}"
    for word, field in _FIELDS.items():
        if field in point:
            yield f"{word}={point[field]:.12g}"
    for code in point.get("no_value", ()):
        yield f"none=0x{code:X}"
    for state, meaning in point.get("names", {}).items():
        yield f"{state}={meaning.replace(' ', '_')}"
    if tells := point.get("tells"):
        yield f"is={tells}"
    if "writable" in point:
        yield "R/W" if point["writable"] else "RO"
    for field, sign in (("tolerance", ""), ("tolerance_percent", "%")):
        if field in point:
            yield f"±{point[field]:.12g}{sign}"
    for word, field in _NOTES.items():
        if field in point:
            yield f'{word}="{point[field]}"'
    if point.get("fixed"):
        yield _FIXED
    if "shows" in point:
        yield (
            f"={point['shows']:.12g}"
            if isinstance(point["shows"], float)
            else f'="{point["shows"]}"'
        )

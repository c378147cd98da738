"""A line of a data sheet as somebody types it, in any order: ``40031 Wind speed m/s``.

A number alone is the register and a unit of measure the unit; types, byte orders and scales are known by how they are
written; the words that are left are the name.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from busprobe.errors import UsageError
from busprobe.profiles.interpret import TYPICAL
from busprobe.profiles.schema import PointType, ScaleMeaning, WordOrder

SYNTAX = """\
40031 Wind speed m/s     a number alone is the register as the sheet
                         counts it (0x1F too); words left are the name
m/s  degC  kWh  [pulses] the unit; one not known goes in brackets
=23.5                    what the unit's own display shows for it now
x0.1  /10                scale
fc3  fc4                 function code that reads it
int16 uint32 float32 ..  type; text:8, bits:2: registers they take
ABCD CDAB BADC DCBA      order of the bytes
0=off 1=on               names of states
offset=-40 none=0x8000   added to the value; code for "no value"
min=0 max=100            plausible range
scale@40033              register of the scale (an exponent of 10);
                         scale@40033:factor and scale@40033:divisor too
is=serial                also is=maker, is=model, is=version
fixed                    every unit of the type holds the same there
"Phase 1" V              quotes keep numbers and units in a name"""
"""What can be written, for help screens."""

UNITS = {
    "degC": "°C", "'C": "°C", "ºC": "°C", "C": "°C", "degF": "°F", "F": "°F", "m3": "m³", "m3/h": "m³/h",
    "W/m2": "W/m²",
    "kwh": "kWh", "Kwh": "kWh", "KWh": "kWh", "KWH": "kWh", "hz": "Hz", "HZ": "Hz", "kw": "kW", "KW": "kW", "deg": "°",
    "1/min": "rpm",
}  # fmt: skip
"""How units of measure are typed on a keyboard, or printed in data sheets, to how they are written here."""

TYPES = {
    "u16": PointType.UINT16, "s16": PointType.INT16, "i16": PointType.INT16, "u32": PointType.UINT32,
    "s32": PointType.INT32, "i32": PointType.INT32, "u64": PointType.UINT64, "s64": PointType.INT64,
    "i64": PointType.INT64, "f32": PointType.FLOAT32, "float": PointType.FLOAT32, "f64": PointType.FLOAT64,
    "double": PointType.FLOAT64, **{str(kind): kind for kind in PointType},
}  # fmt: skip
"""How data sheets write types."""

_TOKEN = re.compile(r'"([^"]*)"|(\S+)')
_BRACKETED = re.compile(r"\[([^\[\]]+)\]")
_NUMBER = re.compile(r"0x[0-9a-f]+|\d+", re.IGNORECASE)
_DECIMAL = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"
_FUNCTION = re.compile(r"(?:fc|fn)0?([34])", re.IGNORECASE)
_LENGTH = re.compile(r"(text|bits):(\d+)")
_SCALE = re.compile(rf"([x*×/])({_DECIMAL})", re.IGNORECASE)
_SCALE_AT = re.compile(r"scale@(0x[0-9a-f]+|\d+)(?::(exponent|factor|divisor))?", re.IGNORECASE)
_FIELD = re.compile(rf"(offset|min|max)=({_DECIMAL})", re.IGNORECASE)
_FIELDS = {"offset": "offset", "min": "plausible_min", "max": "plausible_max"}
_NO_VALUE = re.compile(r"none=(0x[0-9a-f]+|\d+)", re.IGNORECASE)
_STATE = re.compile(r"(\d+)=(\S+)")
_TELLS = re.compile(r"is=(\w+)")
_FIXED = "fixed"


def read_line(text: str) -> dict[str, Any]:
    """The point of a file of notes that a typed line stands for; raises `UsageError` where the line is not clear.

    What the fields may hold is for `busprobe.profiles.notes.notes` to say.
    """
    if text.count('"') % 2:
        raise UsageError("A quote is not closed.", todo='Put quotes on both sides: "Phase 1".')
    point: dict[str, Any] = {}
    name: list[str] = []
    units: list[tuple[int, str]] = []
    registers: list[int] = []
    for quoted, plain in _TOKEN.findall(text):
        if not plain:
            name.append(quoted)
        elif _NUMBER.fullmatch(plain):
            registers.append(_whole(plain))
        elif (unit := _unit(plain)) is not None:
            units.append((len(name), unit))
            name.append(plain)
        elif not _take(plain, point):
            name.append(plain)
    if units:
        place, unit = units[-1]  # the words before it may look like units too: Phase A current 31 A
        del name[place]
        point["unit"] = unit
    if point.get("type") == PointType.TEXT and "length" not in point:
        raise UsageError(
            "It is not said how long the text is.", todo="Write its registers, two characters each: text:8"
        )
    if len(registers) != 1:
        raise _unclear_register(registers)
    return {
        "name": " ".join(part for part in name if part) or f"Register {registers[0]}",
        "register": registers[0],
        **point,
    }


def write_line(point: Mapping[str, Any]) -> str:
    """The line that `read_line` makes `point` of."""
    return " ".join(_written(point))


def _unclear_register(registers: list[int]) -> UsageError:
    if not registers:
        return UsageError("No register is named.", todo="Write its number as the data sheet does: 31 Wind m/s")
    listed = " and ".join(map(str, registers))
    return UsageError(
        f"{listed} could each be the register.", todo='Keep numbers of the name in quotes: "Phase 1" 31 V'
    )


def _unit(token: str) -> str | None:
    if bracketed := _BRACKETED.fullmatch(token):
        return bracketed[1]
    return token if token in TYPICAL else UNITS.get(token)


def _take(token: str, point: dict[str, Any]) -> bool:
    """Take `token` into `point` if it is one of the known ways to say something."""
    if (kind := TYPES.get(token.lower())) and token in (token.lower(), token.upper()):
        point["type"] = str(kind)
    elif token.upper() in list(WordOrder):
        point["order"] = token.upper()
    elif found := _FUNCTION.fullmatch(token):
        point["function"] = int(found[1])
    elif found := _LENGTH.fullmatch(token):
        point |= {"type": found[1], "length": int(found[2])}
    elif (found := _SCALE.fullmatch(token)) and float(found[2]):
        point["scale"] = 1 / float(found[2]) if found[1] == "/" else float(found[2])
    elif found := _SCALE_AT.fullmatch(token):
        point["scale_register"] = {"register": _whole(found[1]), "means": (found[2] or ScaleMeaning.EXPONENT).lower()}
    elif found := _FIELD.fullmatch(token):
        point[_FIELDS[found[1].lower()]] = float(found[2])
    elif found := _NO_VALUE.fullmatch(token):
        point.setdefault("no_value", []).append(_whole(found[1]))
    elif found := _TELLS.fullmatch(token):
        point["tells"] = found[1]
    elif found := _STATE.fullmatch(token):
        point.setdefault("names", {})[found[1]] = found[2].strip(",").replace("_", " ")
    elif token.startswith("=") and len(token) > 1:
        point["shows"] = _shown(token[1:])
    elif token == _FIXED:
        point["fixed"] = True
    else:
        return False
    return True


def _whole(text: str) -> int:
    return int(text, 16 if text[:2].lower() == "0x" else 10)


def _shown(text: str) -> float | str:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text


def _written(point: Mapping[str, Any]) -> Iterator[str]:
    yield str(point["register"])
    name = str(point["name"])
    if name != f"Register {point['register']}":
        taken = any(p and (_NUMBER.fullmatch(p) or _unit(p) or _take(p, {})) for _, p in _TOKEN.findall(name))
        yield f'"{name}"' if taken else name
    if unit := point.get("unit"):
        yield unit if unit in TYPICAL else f"[{unit}]"
    if function := point.get("function"):
        yield f"fc{function}"
    if kind := point.get("type"):
        yield f"{kind}:{point['length']}" if "length" in point else kind
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
    if point.get("fixed"):
        yield _FIXED
    if "shows" in point:
        yield f"={point['shows']:.12g}" if isinstance(point["shows"], float) else f"={point['shows']}"

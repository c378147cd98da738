"""Scenario files: found, read, checked; all mistakes of a file at once, each with its place."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from busprobe.errors import FileError, Mistake, UsageError
from busprobe.text import visible
from busprobe.virtual.registers import LIMITS
from busprobe.virtual.schema import Scenario, UnitType, Value

_AT_LINE = re.compile(r"\s*\(at line (\d+), column \d+\)")

_SHIPPED = resources.files("busprobe.virtual")


def scenario_names() -> tuple[str, ...]:
    """The names of the shipped scenarios, sorted."""
    return tuple(sorted(f.name.removesuffix(".toml") for f in (_SHIPPED / "scenarios").iterdir() if _is_toml(f.name)))


def load_scenario(name_or_path: str | Path) -> Scenario:
    """The shipped scenario of that name, or the one in the file of that path.

    The unit types it uses are in its `types`, shipped ones too.  Raises `UsageError` where there is neither, and
    `FileError` with all mistakes where the file is wrong.
    """
    name = str(name_or_path)
    if name in scenario_names():
        return _parsed((_SHIPPED / "scenarios" / f"{name}.toml").read_text(encoding="utf-8"), name)
    path = Path(name_or_path)
    if not path.is_file():
        raise UsageError(
            f"There is no scenario '{visible(name)}'.",
            todo=f"Name one of {', '.join(scenario_names())}, or the path of a scenario file.",
        )
    try:
        return _parsed(path.read_text(encoding="utf-8"), name)
    except UnicodeDecodeError as error:
        raise FileError(name, [Mistake("", "it is not text in UTF-8")], kind="scenario") from error
    except OSError as error:
        raise FileError(name, [Mistake("", f"it cannot be read: {error.strerror}")], kind="scenario") from error


@cache
def shipped_types() -> Mapping[str, UnitType]:
    """The unit types that any scenario may use, by name."""
    return {
        f.name.removesuffix(".toml"): UnitType.model_validate(tomllib.loads(f.read_text(encoding="utf-8")))
        for f in (_SHIPPED / "types").iterdir()
        if _is_toml(f.name)
    }


def _is_toml(name: str) -> bool:
    return name.endswith(".toml")


def _parsed(text: str, path: str) -> Scenario:
    try:
        scenario = TypeAdapter(Scenario).validate_python(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise FileError(path, [_syntax_mistake(str(error))], kind="scenario") from error
    except ValidationError as error:
        mistakes = [Mistake(_place(e["loc"]), _words(e["type"], e["msg"])) for e in error.errors()]
        raise FileError(path, mistakes, kind="scenario") from error
    types = {**shipped_types(), **scenario.types}
    if mistakes := list(_mistakes(scenario, types)):
        raise FileError(path, mistakes, kind="scenario")
    return scenario.model_copy(update={"types": {unit.type: types[unit.type] for unit in scenario.units}})


def _syntax_mistake(message: str) -> Mistake:
    found = _AT_LINE.search(message)
    return Mistake(f"line {found[1]}" if found else "", f"is not TOML: {visible(_AT_LINE.sub('', message))}")


def _words(kind: str, message: str) -> str:
    """What pydantic found, for the author of a file."""
    if kind == "extra_forbidden":
        return "is no field of a scenario here"
    return "is missing" if kind == "missing" else visible(message.removeprefix("Value error, "))


def _place(location: tuple[int | str, ...]) -> str:
    """``units.3.address``, counting from 1 as people do."""
    return ".".join(str(part + 1) if isinstance(part, int) else visible(part) for part in location)


def _mistakes(scenario: Scenario, types: Mapping[str, UnitType]) -> Iterator[Mistake]:
    """Mistakes that concern more than one field."""
    for name, kind in scenario.types.items():
        for table in ("holding", "input"):
            yield from _table_mistakes(f"types.{name}.{table}", getattr(kind, table))
        if kind.readdress is not None and kind.readdress.lowest > kind.readdress.highest:
            yield Mistake(f"types.{name}.readdress.lowest", "is above highest")
        yield from _register_clashes(name, kind)
    seen: set[str] = set()
    for number, unit in enumerate(scenario.units, 1):
        place = f"units.{number}"
        if unit.name in seen:
            yield Mistake(f"{place}.name", f"'{unit.name}' is given to two units")
        seen.add(unit.name)
        if unit.type not in types:
            yield Mistake(f"{place}.type", f"there is no unit type '{unit.type}'; there are {', '.join(sorted(types))}")
            continue
        known = {value.name: value for value in (*types[unit.type].holding, *types[unit.type].input)}
        for name, new in unit.values.items():
            if name not in known:
                yield Mistake(f"{place}.values.{name}", f"'{unit.type}' has no value of that name")
            elif (wrong := _misfit(known[name].model_copy(update={"value": new}))) is not None:
                yield Mistake(f"{place}.values.{name}", wrong)


def _table_mistakes(place: str, values: tuple[Value, ...]) -> Iterator[Mistake]:
    taken: dict[int, str] = {}
    for number, value in enumerate(values, 1):
        if (wrong := _misfit(value)) is not None:
            yield Mistake(f"{place}.{number}.value", wrong)
        if value.at + value.registers > 0x10000:
            yield Mistake(f"{place}.{number}.at", "reaches past register 65535")
        for register in range(value.at, value.at + value.registers):
            if register in taken:
                yield Mistake(f"{place}.{number}.at", f"register {register} belongs to '{taken[register]}' already")
                break
            taken[register] = value.name


def _register_clashes(name: str, kind: UnitType) -> Iterator[Mistake]:
    if kind.readdress is not None:
        for number, value in enumerate(kind.holding, 1):
            if value.at <= kind.readdress.at < value.at + value.registers:
                yield Mistake(f"types.{name}.holding.{number}.at", "lies on the register of the unit address")


def _misfit(value: Value) -> str | None:
    """Why `value` cannot be stored as it says, None if it can."""
    if isinstance(value.value, str) != (value.type == "text"):
        return f"{value.value!r} is no {value.type}"
    if isinstance(value.value, str) or value.type == "float32":
        return None
    lowest, highest = LIMITS[value.type]
    for edge in (value.value - value.swing, value.value + value.swing):
        if not lowest <= round(edge / value.scale) <= highest:
            return f"{edge:g} does not fit {value.type} with a scale of {value.scale:g}"
    return None

"""Scenario files: found, read, checked; all mistakes of a file at once, each with its place."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from itertools import combinations
from pathlib import Path

from pydantic import ValidationError

from busprobe.errors import UsageError
from busprobe.files.reading import given_path
from busprobe.files.toml_file import FieldPath, Found, TomlFile, found_by_pydantic
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.virtual.register_table import LIMITS
from busprobe.virtual.schema import RegisterPart, Scenario, UnitType, Value
from busprobe.virtual.unit_settings import fields

_SHIPPED = resources.files("busprobe.virtual")


def scenario_names() -> tuple[str, ...]:
    """The names of the shipped scenarios, sorted."""
    return tuple(
        sorted(
            f.name.removesuffix(".toml")
            for f in (_SHIPPED / "scenarios").iterdir()
            if _is_toml(f.name)
        )
    )


def load_scenario(name_or_path: str | Path) -> Scenario:
    """The shipped scenario of that name, or the one in the file of that path.

    The unit types it uses are in its `types`, shipped ones too.  Raises `UsageError` where there is
    neither, and `FileError` with all mistakes where the file is wrong.
    """
    name = str(name_or_path)
    if name in scenario_names():
        with resources.as_file(_SHIPPED / "scenarios" / f"{name}.toml") as shipped:
            return _read(shipped)
    path = given_path(name)
    if not os.path.lexists(path):
        raise UsageError(
            f"There is no scenario '{name}'.",
            todo=f"Name one of {', '.join(scenario_names())}, or the path of a scenario file.",
        )
    return _read(path)


@cache
def shipped_types() -> Mapping[str, UnitType]:
    """The unit types that any scenario may use, by name."""
    return {
        f.name.removesuffix(".toml"): UnitType.model_validate(
            tomllib.loads(f.read_text(encoding="utf-8"))
        )
        for f in (_SHIPPED / "types").iterdir()
        if _is_toml(f.name)
    }


def _is_toml(name: str) -> bool:
    return name.endswith(".toml")


def _read(path: Path) -> Scenario:
    file = TomlFile.read(path, kind="scenario")
    try:
        scenario = Scenario.model_validate(file.data)
    except ValidationError as error:
        raise file.error(found_by_pydantic(error)) from error
    types = {**shipped_types(), **scenario.types}
    if found := list(_mistakes(scenario, types)):
        raise file.error(found)
    return scenario.model_copy(
        update={"types": {unit.type: types[unit.type] for unit in scenario.units}}
    )


def _mistakes(scenario: Scenario, types: Mapping[str, UnitType]) -> Iterator[Found]:
    """Mistakes that concern more than one field."""
    for name, kind in scenario.types.items():
        for table in ("holding", "input"):
            yield from _table_mistakes(("types", name, table), getattr(kind, table))
        if kind.readdress is not None and kind.readdress.lowest > kind.readdress.highest:
            yield ("types", name, "readdress", "lowest"), "is above highest"
        yield from _setup_mistakes(name, kind)
    seen: set[str] = set()
    for number, unit in enumerate(scenario.units):
        place = ("units", number)
        if unit.name in seen:
            yield (*place, "name"), f"'{unit.name}' is given to two units"
        seen.add(unit.name)
        if unit.type not in types:
            yield (
                (*place, "type"),
                f"there is no unit type '{unit.type}'; there are {', '.join(sorted(types))}",
            )
            continue
        if (
            unit.settings
            and (lacking := _code_lacking(types[unit.type], unit.settings)) is not None
        ):
            yield (*place, "settings"), lacking
        known = {
            value.name: value for value in (*types[unit.type].holding, *types[unit.type].input)
        }
        for name, new in unit.values.items():
            if name not in known:
                yield (*place, "values", name), f"'{unit.type}' has no value of that name"
            elif (wrong := _misfit(known[name].model_copy(update={"value": new}))) is not None:
                yield (*place, "values", name), wrong


def _table_mistakes(place: FieldPath, values: tuple[Value, ...]) -> Iterator[Found]:
    taken: dict[int, str] = {}
    for number, value in enumerate(values):
        if (wrong := _misfit(value)) is not None:
            yield (*place, number, "value"), wrong
        if value.at + value.registers > 0x10000:
            yield (*place, number, "at"), "reaches past register 65535"
        for register in range(value.at, value.at + value.registers):
            if register in taken:
                yield (
                    (*place, number, "at"),
                    f"register {register} belongs to '{taken[register]}' already",
                )
                break
            taken[register] = value.name


def _setup_mistakes(name: str, kind: UnitType) -> Iterator[Found]:
    """Mistakes in the registers of address and line settings, lock and save."""
    taken = [(field.name, frozenset((field.register,)), field.part) for field in fields(kind)]
    taken += [
        (what, key.registers, RegisterPart.WHOLE)
        for what, key in (("lock", kind.lock), ("save", kind.save))
        if key is not None
    ]
    for number, value in enumerate(kind.holding):
        for what, registers, _ in taken:
            if not registers.isdisjoint(range(value.at, value.at + value.registers)):
                yield (
                    ("types", name, "holding", number, "at"),
                    f"lies on the register of the {what}",
                )
    for (what, registers, part), (other, others, other_part) in combinations(taken, 2):
        if not registers.isdisjoint(others) and {part, other_part} != {
            RegisterPart.HIGH_BYTE,
            RegisterPart.LOW_BYTE,
        }:
            yield ("types", name), f"{what} and {other} share a register, and not by a byte each"
    if (lacking := _code_lacking(kind, kind.settings)) is not None:
        yield ("types", name, "settings"), lacking


def _code_lacking(kind: UnitType, settings: LineSettings) -> str | None:
    """Why a unit of `kind` cannot be set to `settings`, None if it can."""
    try:
        for field in fields(kind):
            field.code(Place(kind.address, settings))
    except KeyError as error:
        return f"has no code in line_settings for {error.args[0]}"
    return None


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

"""``busprobe config``: the settings in force, and where each comes from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Literal

from busprobe.cli import output
from busprobe.cli.configuration import InForce, in_force, settings_file


@dataclass(frozen=True)
class ConfiguredValue:
    """A setting, its value and where that comes from."""

    name: str
    variable: str
    value: str | bool | None
    origin: str


@dataclass(frozen=True, kw_only=True)
class ConfigDocument:
    """What ``busprobe config --json`` prints."""

    format: Literal["busprobe.config/1"] = "busprobe.config/1"
    file: str
    file_exists: bool
    settings: tuple[ConfiguredValue, ...]


def run(as_json: bool) -> None:
    """Do what ``busprobe config`` is asked for."""
    file, found = settings_file(), in_force()
    exists = os.path.lexists(file)
    if as_json:
        output.publish(
            ConfigDocument(
                file=str(file),
                file_exists=exists,
                settings=tuple(
                    ConfiguredValue(
                        each.setting.name, each.setting.variable, _plain(each.value), each.origin
                    )
                    for each in found
                ),
            )
        )
        return
    output.table(
        ("Setting", "Value", "From", "What it is"),
        [(each.setting.name, _shown(each), each.origin, each.setting.about) for each in found],
    )
    output.say(f"The settings file is {file}{'' if exists else '; there is none yet'}.")


def _plain(value: object) -> str | bool | None:
    return value if isinstance(value, bool) else str(value) if value else None


def _shown(each: InForce) -> str:
    value = _plain(each.value)
    return {True: "yes", False: "no", None: ""}.get(value, str(value))  # type: ignore[arg-type]

"""Settings that a technician makes once: variables ``BUSPROBE_...`` before the settings file, and
that before what busprobe does by itself.  Options of a command come before all of them.

Read anew whenever one is wanted, since that is seldom; nothing is loaded for it that is not needed.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from busprobe.errors import FileError, Mistake, UsageError
from busprobe.files.reading import given_path, obstacle

PREFIX = "BUSPROBE_"
FILE_NAME = "settings.toml"
_YES, _NO = ("yes", "true", "on", "1"), ("no", "false", "off", "0")


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("write a text in quotation marks")
    return value.strip()


def _folder(value: Any) -> Path:
    return given_path(_text(value))


def _choice(value: Any) -> bool:
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.strip().lower() in _YES + _NO:
        return value.strip().lower() in _YES
    raise ValueError("write true or false")


@dataclass(frozen=True)
class Setting:
    """One setting: its name in the file, in lower case; in the environment with `PREFIX`."""

    name: str
    about: str
    read: Callable[[Any], Any]
    """Raises ValueError, with what would be right."""
    otherwise: Any
    """What holds where it is set nowhere."""

    @property
    def variable(self) -> str:
        """Its name in the environment."""
        return f"{PREFIX}{self.name.upper()}"


SETTINGS = (
    Setting("port", "Port of commands and wizard", _text, ""),
    Setting("job_folder", "Folder of today's job", _folder, None),
    Setting("tester", "Your name, in new jobs", _text, ""),
    Setting("company", "Your company, beside your name", _text, ""),
    Setting("colours", "Whether anything is shown in colour", _choice, True),
    Setting("plain", "Whether the wizard draws with ASCII signs only", _choice, False),
)
_NAMES = {setting.name: setting for setting in SETTINGS}


@dataclass(frozen=True)
class InForce:
    """A setting with its value and where that comes from."""

    setting: Setting
    value: Any
    origin: str


def settings_file() -> Path:
    """Where the settings file is, or would be."""
    from platformdirs import user_config_path

    return user_config_path("busprobe", appauthor=False) / FILE_NAME


def in_force() -> tuple[InForce, ...]:
    """All settings; raises `FileError` with all mistakes of the file, `UsageError` for a variable
    that cannot be used."""
    filed = _filed()
    found = []
    for setting in SETTINGS:
        if text := os.environ.get(setting.variable, ""):
            found.append(InForce(setting, _said(setting, text), f"variable {setting.variable}"))
        elif setting.name in filed:
            found.append(InForce(setting, filed[setting.name], "settings file"))
        else:
            found.append(InForce(setting, setting.otherwise, "not set"))
    return tuple(found)


def value_of(name: str) -> Any:
    """What holds for one setting; raises as `in_force` does."""
    return next(each.value for each in in_force() if each.setting.name == name)


def tester() -> str:
    """Name and company of the technician; empty where neither is set."""
    return ", ".join(filter(None, (value_of("tester"), value_of("company"))))


def _said(setting: Setting, text: str) -> Any:
    try:
        return setting.read(text)
    except ValueError as error:
        raise UsageError(
            f"{setting.variable} cannot be '{text}': {error}.", todo="Change it, or take it away."
        ) from None


def _filed() -> dict[str, Any]:
    """What the file says."""
    path = settings_file()
    if not os.path.lexists(path):
        return {}
    import tomllib

    from busprobe.files.reading import read_text

    if wrong := obstacle(path):
        raise FileError(str(path), [Mistake("", wrong)], kind="settings file")
    try:
        given = tomllib.loads(read_text(path, kind="settings file"))
    except tomllib.TOMLDecodeError as error:
        raise FileError(str(path), [Mistake("", str(error))], kind="settings file") from None
    found, mistakes = {}, []
    for name, value in given.items():
        if name not in _NAMES:
            near = difflib.get_close_matches(name, _NAMES, 1)
            hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(_NAMES)}"
            mistakes.append(Mistake(name, f"is no setting; {hint}"))
            continue
        try:
            found[name] = _NAMES[name].read(value)
        except ValueError as error:
            mistakes.append(Mistake(name, str(error)))
    if mistakes:
        raise FileError(str(path), mistakes, kind="settings file")
    return found

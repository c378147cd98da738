"""A profile file written from its tables."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busprobe.errors import FileError, Mistake, RefusedError
from busprobe.text import harmless

if TYPE_CHECKING:
    from tomlkit.items import Item, Table

_UNPRINTABLE = re.compile(r"[^\n -~]")


def to_toml(data: Mapping[str, Any], comments: Mapping[str, Sequence[str]] | None = None) -> str:
    """`data` as TOML that reads back as the same.

    `comments` are lines put before a table, or before the entry of a list of tables: ``{"points.1":
    [...]}`` is for the first; the empty name is for the head of the file.
    """
    said = comments or {}
    tables = {key: value for key, value in data.items() if value and _is_table(value)}
    parts = [_part({key: data[key] for key in data if key not in tables}, said.get("", ()))]
    for key, value in tables.items():
        if isinstance(value, Mapping):
            parts.append(_part({key: _table(value)}, said.get(str(key), ())))
        else:
            for number, entry in enumerate(value, start=1):
                listed = [_table(entry)]
                parts.append(_part({key: listed}, said.get(f"{key}.{number}", ())))
    return _UNPRINTABLE.sub(_escaped, "\n".join(parts))


def _part(data: Mapping[str, Any], comments: Sequence[str]) -> str:
    """Some fields, or one table, with the comments before it."""
    import tomlkit

    part = tomlkit.document()
    for key, value in data.items():
        if isinstance(value, list) and value and isinstance(value[0], tomlkit.items.Table):
            part.append(str(key), tomlkit.items.AoT(value))
        else:
            part.append(str(key), _item(value))
    said = "".join(f"# {harmless(line)}\n" for line in comments)
    return said + tomlkit.dumps(part)


def _is_table(value: Any) -> bool:
    """Whether it is a table of the file, or a list of these."""
    if isinstance(value, list | tuple):
        return all(isinstance(entry, Mapping) for entry in value)
    return isinstance(value, Mapping)


def _table(entry: Mapping[str, Any]) -> Table:
    import tomlkit

    table = tomlkit.table()
    for key, value in entry.items():
        table.add(str(key), _item(value))
    return table


def _item(value: Any) -> Item:
    """A value on one line."""
    import tomlkit

    match value:
        case tomlkit.items.Item():
            return value
        case Mapping():
            inline = tomlkit.inline_table()
            for key, inner in value.items():
                inline.add(str(key), _item(inner))
            return inline
        case list() | tuple():
            array = tomlkit.array()
            for inner in value:
                array.append(_item(inner))
            return array
        case bool() | int() | float():
            return tomlkit.item(value)
        case _:
            return tomlkit.string(str(value))


def _escaped(match: re.Match[str]) -> str:
    """A character as a text of TOML says it where it might not print."""
    return match[0] if match[0].isprintable() else f"\\U{ord(match[0]):08X}"


def refuse_existing(path: Path, *, overwrite: bool = False) -> None:
    """Raise `RefusedError` if there is a file at `path` that nobody said may be replaced."""
    if path.exists() and not overwrite:
        raise RefusedError(
            f"{path} is there already.",
            todo="Give the profile another id, or say that the file is to be overwritten.",
        )


def write_profile(path: Path, text: str, *, overwrite: bool = False) -> None:
    """Write a profile file whole or not at all; raises `RefusedError` if it is there already and
    `FileError` if it cannot be written."""
    refuse_existing(path, overwrite=overwrite)
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        reason = Mistake("", f"it cannot be written: {(error.strerror or str(error)).lower()}")
        raise FileError(str(path), [reason], kind="profile") from error

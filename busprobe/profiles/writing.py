"""A profile file written from its tables."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from busprobe.errors import FileError, Mistake, RefusedError
from busprobe.text import visible

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def to_toml(data: Mapping[str, Any], comments: Mapping[str, Sequence[str]] | None = None) -> str:
    """`data` as TOML that reads back as the same.

    `comments` are lines put before a table, or before the entry of a list of tables: ``{"points.1":
    [...]}`` is for the first; the empty name is for the head of the file.
    """
    comments = comments or {}
    return "\n".join(_lines(data, comments)) + "\n"


def refuse_existing(path: Path, *, overwrite: bool = False) -> None:
    """Raise `RefusedError` if there is a file at `path` that nobody said may be replaced."""
    if path.exists() and not overwrite:
        raise RefusedError(
            f"{visible(str(path))} is there already.",
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
        raise FileError(visible(str(path)), [reason], kind="profile") from error


def _lines(data: Mapping[str, Any], comments: Mapping[str, Sequence[str]]) -> Iterator[str]:
    yield from _commented(comments.get("", ()))
    tables = {}
    for key, value in data.items():
        if _is_tables(value) or (isinstance(value, Mapping) and value):
            tables[key] = value
        else:
            yield f"{_key(key)} = {_value(value)}"
    for key, value in tables.items():
        if isinstance(value, Mapping):
            yield from _table(f"[{_key(key)}]", value, comments.get(key, ()))
        else:
            for number, entry in enumerate(value, start=1):
                yield from _table(f"[[{_key(key)}]]", entry, comments.get(f"{key}.{number}", ()))


def _table(header: str, table: Mapping[str, Any], comments: Sequence[str]) -> Iterator[str]:
    yield ""
    yield from _commented(comments)
    yield header
    for key, value in table.items():
        yield f"{_key(key)} = {_value(value)}"


def _commented(lines: Sequence[str]) -> Iterator[str]:
    for line in lines:
        yield f"# {visible(line)}"


def _is_tables(value: Any) -> bool:
    return (
        isinstance(value, list | tuple)
        and bool(value)
        and all(isinstance(entry, Mapping) for entry in value)
    )


def _key(key: Any) -> str:
    text = str(key)
    return text if _BARE_KEY.fullmatch(text) else _text(text)


def _value(value: Any) -> str:
    match value:
        case bool():
            return str(value).lower()
        case int():
            return str(int(value))
        case float():
            return repr(float(value))
        case list() | tuple():
            return "[" + ", ".join(_value(entry) for entry in value) + "]"
        case Mapping():
            return (
                "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
                if value
                else "{}"
            )
        case _:
            return _text(str(value))


def _text(text: str) -> str:
    escaped = "".join(_escaped(character) for character in text)
    return f'"{escaped}"'


def _escaped(character: str) -> str:
    if character in '"\\':
        return f"\\{character}"
    return character if character.isprintable() else f"\\U{ord(character):08X}"

"""TOML files written by hand: read, and every mistake told with its place.

A place is the dotted path of the field with its line.  Entries of a list are counted from 1, as a
person counts the ``[[points]]`` of a file.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from busprobe.errors import FileError, Mistake
from busprobe.files.reading import read_text

FieldPath = tuple[str | int, ...]
"""Keys and list indexes (from 0) that lead to a field."""

Found = tuple[FieldPath, str]
"""A place with what is wrong there, in words."""

_LONGEST_STATEMENT = 200
"""Lines of a statement from which on no more lines are told: finding its end takes time with the
square of them."""

_LONGEST_LINE = 5000
"""Characters; a key of many parts takes the parser time with the square of them."""

_DEEPEST = 12
"""Tables within tables up to which a place has a line; no file of ours goes half as deep."""

_PYDANTIC_KEY = "[key]"
"""How pydantic marks that the key of a table is wrong and not what it stands for."""

_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")


@dataclass(frozen=True)
class TomlFile:
    """The content of a TOML file."""

    path: Path
    kind: str
    """What the file should be, for messages: ``profile``."""
    text: str = field(repr=False)
    data: dict[str, Any] = field(repr=False)

    @classmethod
    def read(cls, path: Path, *, kind: str) -> TomlFile:
        """Read and parse `path`; raises `FileError` if it cannot be read or is no TOML."""
        text = read_text(path, kind=kind)
        for number, line in enumerate(text.split("\n"), start=1):
            if len(line) > _LONGEST_LINE:
                mistake = Mistake(f"line {number}", f"is longer than {_LONGEST_LINE} characters")
                raise FileError(str(path), [mistake], kind=kind)
        try:
            return cls(path, kind, text, tomllib.loads(text))
        except tomllib.TOMLDecodeError as error:
            mistake = _syntax_mistake(str(error))
        except RecursionError:
            mistake = Mistake("", "it is nested too deeply")
        except ValueError as error:  # a number or a date that Python cannot hold
            mistake = Mistake("", str(error))
        raise FileError(str(path), [mistake], kind=kind)

    def error(self, found: Iterable[Found]) -> FileError:
        """The error that tells all that was found, in the order of the file."""
        known = _lines_of_places(self.text)
        placed = [(_line(known, place), place, what) for place, what in found]
        mistakes = [
            Mistake(_shown(place) + (f" (line {line})" if line else ""), what)
            for line, place, what in sorted(placed, key=lambda entry: entry[0])
        ]
        return FileError(str(self.path), mistakes, kind=self.kind)


def _line(known: Mapping[FieldPath, int], place: FieldPath) -> int:
    """The line of `place`, or of as much of its path as stands in the file; 0 if none of it
    does."""
    return next((known[place[:n]] for n in range(len(place), 0, -1) if place[:n] in known), 0)


def _lines_of_places(text: str) -> dict[FieldPath, int]:
    """On which line of a sound TOML file each place is first written; a value of several lines
    counts by its first."""
    lines: dict[FieldPath, int] = {}
    last_entries: dict[FieldPath, int] = {}
    table: FieldPath = ()
    for line, statement, data in _statements(text):
        if statement.lstrip().startswith("["):
            table = _table_place(data, last_entries)
            _note(lines, table, {}, line)
        else:
            for key, value in data.items():
                _note(lines, (*table, key), value, line)
    return lines


def _statements(text: str) -> Iterator[tuple[int, str, dict[str, Any]]]:
    """The statements of a sound TOML file: first line, text and meaning.

    A statement is over with the first line that makes it TOML by itself.
    """
    statement, first = "", 1
    for number, line in enumerate(text.split("\n"), start=1):
        statement += line + "\n"
        try:
            data = tomllib.loads(statement)
        except tomllib.TOMLDecodeError:
            if number - first < _LONGEST_STATEMENT:
                continue
            return
        if data:
            yield first, statement, data
        statement, first = "", number + 1


def _table_place(header: dict[str, Any], last_entries: dict[FieldPath, int]) -> FieldPath:
    """The place that a header (``[a.b]``, ``[[a.b]]``) opens; `last_entries` keeps the last index
    of each list."""
    place: FieldPath = ()
    inside: Any = header
    while inside:
        ((key, inside),) = inside.items()
        place = (*place, key)
        if isinstance(inside, list):
            last_entries[place] = last_entries.get(place, -1) + 1
            inside = {}
        if place in last_entries:
            place = (*place, last_entries[place])
    return place


def _note(lines: dict[FieldPath, int], place: FieldPath, value: Any, line: int) -> None:
    if len(place) > _DEEPEST:
        return
    for depth in range(1, len(place) + 1):
        lines.setdefault(place[:depth], line)
    entries = (
        value.items()
        if isinstance(value, dict)
        else enumerate(value)
        if isinstance(value, list)
        else ()
    )
    for key, inner in entries:
        _note(lines, (*place, key), inner, line)


def _shown(place: FieldPath) -> str:
    """The dotted path, with list entries counted from 1."""
    return ".".join(
        str(key + 1 if isinstance(key, int) else key) for key in place if key != _PYDANTIC_KEY
    )


def _syntax_mistake(message: str) -> Mistake:
    found = _AT_LINE.search(message)
    said = _AT_LINE.sub("", message).replace("(at end of document)", "").strip()
    said = said.replace(
        "Illegal character '\\n'", "a text is not closed before the end of its line"
    )
    return Mistake(
        f"line {found[1]}" if found else "end of file", f"is not TOML: {said[0].lower() + said[1:]}"
    )


def found_by_pydantic(error: ValidationError) -> list[Found]:
    """All that pydantic found, in words for the author of a file."""
    return [(detail["loc"], _words(detail)) for detail in error.errors(include_url=False)]


def _words(detail: ErrorDetails) -> str:
    match detail["type"]:
        case "missing":
            return "is missing"
        case "extra_forbidden":
            return "is not a known field"
        case "model_type" | "dict_type":
            return "should be a table of fields"
        case "tuple_type" | "list_type":
            return "should be a list: written in [ ], or as a table in [[ ]] for each entry"
        case "value_error":
            return str(detail["ctx"]["error"])
        case _:
            message = detail["msg"].removeprefix("Input ").removeprefix("Value ")
            return message[0].lower() + message[1:]

"""CSV files that somebody made in a spreadsheet: read row by row, every mistake with its line and
column."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from busprobe.errors import FileError, Mistake
from busprobe.files.reading import read_text

Entry = TypeVar("Entry", bound=BaseModel)

_YES_NO = {"yes": True, "no": False, "": None}


def _answer(text: str) -> bool | None:
    if text.strip().lower() not in _YES_NO:
        raise ValueError("write yes or no, or leave it empty")
    return _YES_NO[text.strip().lower()]


YesNo = Annotated[bool | None, BeforeValidator(_answer)]
"""A cell that says yes or no, or nothing."""


class CsvRow(BaseModel):
    """Base of all rows: columns that nobody asked for are let pass."""

    model_config = ConfigDict(extra="ignore", str_strip_whitespace=True)


_ESCAPED = re.compile(r"^'(?=[\s\"]*[=+\-@＝＋－＠])")
"""What the documents put before text that a spreadsheet would take for a formula."""


@dataclass(frozen=True)
class CsvFile:
    """The rows of a CSV file."""

    path: str
    """Where it is."""
    kind: str
    """What the file should be, for messages: ``plan``."""
    rows: tuple[tuple[int, Mapping[str, str]], ...]
    """Number of the line on which each row ends, and its cells by their columns; empty rows are
    left out."""
    mistakes: tuple[Mistake, ...]
    """What is no CSV in it."""

    @classmethod
    def read(cls, path: Path, *, kind: str, row: type[BaseModel]) -> CsvFile:
        """Read `path`; raises `FileError` if it cannot be read or a column is missing that a `row`
        must have.

        Columns are those of the row's fields, named in the first row, in any order and in small
        letters or capitals; others are let pass.
        """
        columns = {each.alias or name: each for name, each in row.model_fields.items()}
        required = [column for column, each in columns.items() if each.is_required()]
        name = str(path)
        text = read_text(path, kind=kind)
        first = text.partition("\n")[0]
        # Spreadsheets write semicolons where the comma is the decimal sign.
        delimiter = ";" if first.count(";") > first.count(",") else ","
        reader = csv.DictReader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        found: list[tuple[int, Mapping[str, str]]] = []
        mistakes: list[Mistake] = []
        try:
            present = [column.strip().lower() for column in reader.fieldnames or ()]
            missing = [column for column in required if column not in present]
            if missing:
                what = (
                    f"the columns must be named {', '.join(columns)}; missing: {', '.join(missing)}"
                )
                raise FileError(name, [Mistake("line 1", what)], kind=kind)
            reader.fieldnames = present
            for found_row in reader:
                cells = {
                    key: value
                    for key, value in found_row.items()
                    if key in columns and isinstance(value, str)
                }
                if any(value.strip() for value in found_row.values() if isinstance(value, str)):
                    found.append((reader.line_num, cells))
        except csv.Error as error:
            # The line that could not be read is not counted yet by the reader of rows, only by the
            # one below it.
            mistakes.append(Mistake(f"line {reader.reader.line_num}", str(error)))
        return cls(name, kind, tuple(found), tuple(mistakes))

    def error(self, mistakes: Sequence[Mistake]) -> FileError:
        """The error that tells of `mistakes` in this file."""
        return FileError(self.path, mistakes, kind=self.kind)


def checked(
    model: type[Entry], line: int, cells: Mapping[str, str], mistakes: list[Mistake]
) -> Entry | None:
    """The entry that `cells` of a line make, or None, with what is wrong in them added to
    `mistakes`."""
    try:
        return model.model_validate(cells)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            column = ".".join(str(part) for part in detail["loc"])
            found = str(cells.get(column, ""))
            mistakes.append(
                Mistake(
                    f"line {line}, {column} '{found}'", detail["msg"].removeprefix("Value error, ")
                )
            )
        return None


def plain_cell(text: str) -> str:
    """What a cell says, without the apostrophe that our own documents put before a formula."""
    return _ESCAPED.sub("", text.strip())

"""CSV files as spreadsheets write them, and whatever else comes with that ending."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, Field

from busprobe.errors import FileError, Mistake
from busprobe.files.csv_file import CsvFile, checked
from busprobe.files.reading import LARGEST


class _Entry(BaseModel):
    name: str = Field(min_length=1)
    size: int = Field(default=1, ge=1)


def read(folder: Path, content: str | bytes) -> CsvFile:
    path = folder / "list.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return CsvFile.read(path, kind="list", row=_Entry)


@pytest.mark.parametrize(
    "content",
    [
        "name,size\r\na,1\r\n\r\nb,2\r\n",
        "\ufeffSize; Name ;Other\n1;a;x\n;;\n2;b;y\n",
        'name,size\n"a","1"\nb,2',
    ],
)
def test_rows_are_the_same_however_a_spreadsheet_wrote_them(tmp_path: Path, content: str) -> None:
    file = read(tmp_path, content)
    assert [dict(cells) for _, cells in file.rows] == [
        {"name": "a", "size": "1"},
        {"name": "b", "size": "2"},
    ]
    assert file.mistakes == ()


def test_a_row_that_is_short_or_long_gives_what_it_has(tmp_path: Path) -> None:
    assert [dict(cells) for _, cells in read(tmp_path, "name,size\na\nb,2,3\n").rows] == [
        {"name": "a"},
        {"name": "b", "size": "2"},
    ]


def test_lines_are_counted_as_an_editor_counts_them(tmp_path: Path) -> None:
    assert [line for line, _ in read(tmp_path, 'name,size\n"a\nb",1\n\nc,2\n').rows] == [3, 5]


def test_what_is_no_csv_is_told_after_the_rows_before_it(tmp_path: Path) -> None:
    file = read(tmp_path, 'name,size\na,1\n"b" c,2\n')
    assert len(file.rows) == 1
    assert [mistake.where for mistake in file.mistakes] == ["line 3"]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "missing: name"),
        ("size\n1\n", "the columns must be named name, size; missing: name"),
        (b"\xff\xfe\x00", "line 1: is not UTF-8 text"),
        (b"name\n" + b"x" * LARGEST, "is larger than"),
    ],
)
def test_a_file_that_cannot_be_such_a_list_says_why(
    tmp_path: Path, content: str | bytes, words: str
) -> None:
    with pytest.raises(FileError, match=r"The list .*list\.csv cannot be used") as caught:
        read(tmp_path, content)
    assert words in str(caught.value)


def test_a_file_that_is_not_there_or_a_folder_says_so(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.csv", tmp_path):
        with pytest.raises(FileError) as caught:
            CsvFile.read(path, kind="list", row=_Entry)
        assert caught.value.todo


def test_all_that_is_wrong_in_a_line_is_told_with_its_columns() -> None:
    mistakes: list[Mistake] = []
    assert checked(_Entry, 7, {"name": "", "size": "\x1b[31m"}, mistakes) is None
    assert [mistake.where for mistake in mistakes] == [
        "line 7, name ''",
        "line 7, size '\x1b[31m'",
    ]
    assert checked(_Entry, 8, {"name": "a", "size": "2"}, mistakes) == _Entry(name="a", size=2)


@given(st.binary(max_size=200))
def test_any_bytes_are_rows_or_a_file_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    try:
        file = read(tmp_path_factory.getbasetemp(), b"name,size\n" + content)
    except FileError:
        return
    assert all(set(cells) <= {"name", "size"} for _, cells in file.rows)


@given(st.lists(st.tuples(st.text(max_size=8), st.text(max_size=8)), max_size=5))
def test_what_the_csv_module_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]]
) -> None:
    text = io.StringIO(newline="")
    csv.writer(text).writerows([("name", "size"), *rows])
    content = text.getvalue().encode("utf-8", "surrogatepass")
    if b"\x00" in content or (
        not content.isascii() and content != content.decode("utf-8", "replace").encode()
    ):
        return
    file = read(tmp_path_factory.getbasetemp(), content)
    kept = [row for row in rows if any(cell.strip() for cell in row)]
    assert [(cells["name"], cells["size"]) for _, cells in file.rows] == kept

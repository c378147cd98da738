"""Profile files written."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError, RefusedError
from busprobe.profiles.drafting.writing import to_toml, write_profile

SCALARS = (
    st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.floats(allow_nan=False)
    | st.text(max_size=8)
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
)


@given(st.dictionaries(st.text(max_size=4), VALUES, max_size=4))
def test_what_is_written_reads_back_as_the_same(data: dict[str, object]) -> None:
    assert tomllib.loads(to_toml(data)) == data


def test_comments_stand_before_what_they_are_about() -> None:
    text = to_toml(
        {"id": "x", "factory": {"address": 1}, "points": [{"name": "A"}, {"name": "B"}]},
        {"": ["head"], "points.2": ["of B\x1b[2J"]},
    )
    assert text.splitlines() == [
        "# head",
        'id = "x"',
        "",
        "[factory]",
        "address = 1",
        "",
        "[[points]]",
        'name = "A"',
        "",
        "# of B\\x1b[2J",
        "[[points]]",
        'name = "B"',
    ]


def test_a_file_is_not_replaced_unasked(tmp_path: Path) -> None:
    path = tmp_path / "new folder" / "x.toml"
    write_profile(path, "one")
    with pytest.raises(RefusedError, match="is there already"):
        write_profile(path, "two")
    assert path.read_text() == "one"
    write_profile(path, "two", overwrite=True)
    assert path.read_text() == "two"
    assert [entry.name for entry in path.parent.iterdir()] == ["x.toml"]


def test_a_place_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(FileError, match="cannot be written"):
        write_profile(tmp_path / "file" / "x.toml", "one")

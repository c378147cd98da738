"""Profile files: the folders ``good`` and ``bad`` are tests by being there, so are the shipped
profiles.

A bad file says in its first lines what is to be found in it, in the order of the file: ``# expect:
place: words``.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.profiles.loading import load_profile
from busprobe.profiles.store import load_all
from busprobe.text import harmless

HERE = Path(__file__).parent
SHIPPED = HERE.parents[1] / "profiles"
EXPECT = "# expect: "


@pytest.mark.parametrize(
    "path", [*(HERE / "good").iterdir(), *SHIPPED.iterdir()], ids=lambda path: path.name
)
def test_good_file_loads(path: Path) -> None:
    assert load_profile(path, load_all([SHIPPED]).profiles.values()).id == path.stem


@pytest.mark.parametrize("path", (HERE / "bad").iterdir(), ids=lambda path: path.name)
def test_bad_file_tells_all_its_mistakes_and_no_others(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    expected = [
        line.removeprefix(EXPECT).split(": ", 1) for line in lines if line.startswith(EXPECT)
    ]
    with pytest.raises(FileError) as caught:
        load_profile(path, load_all([SHIPPED]).profiles.values())
    found = [
        (harmless(re.sub(r" \(line \d+\)", "", mistake.where)), harmless(mistake.what))
        for mistake in caught.value.mistakes
    ]
    assert [where for where, _ in found] == [where for where, _ in expected]
    for (where, words), (_, what) in zip(expected, found, strict=True):
        assert words in what, where
    assert str(path) in caught.value.what


def written(folder: Path, text: str | bytes, name: str = "glenmoss-g-1.toml") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def mistakes(path: Path) -> list[str]:
    with pytest.raises(FileError) as caught:
        load_profile(path)
    return [str(mistake) for mistake in caught.value.mistakes]


HEAD = """id = "glenmoss-g-1"
maker = "Glenmoss Works"
model = "G-1"
kind = "relay"
numbering = "wire"
factory = { address = 1, settings = "9600-8N1" }
"""


def test_lines_are_those_of_the_fields_also_behind_values_of_several_lines(tmp_path: Path) -> None:
    text = (
        HEAD
        + '''cautions = [
    """It may say
scale = 7
and
""",
]
[[points]]
name = "A"
function = 3
register = 4
type = "uint16"
scale = 0
[[points]]
name = "B"
type = "uint16"
'''
    )
    assert [mistake.split(":")[0] for mistake in mistakes(written(tmp_path, text))] == [
        "cautions.1 (line 7)",
        "points.1.scale (line 18)",
        "points.2.function (line 19)",
        "points.2.register (line 19)",
    ]


def test_files_of_other_editors_load(tmp_path: Path) -> None:
    """A byte order mark and carriage returns, as editors on Windows write them, are no mistakes."""
    path = written(tmp_path, b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode())
    assert load_profile(path).id == "glenmoss-g-1"


def test_file_in_another_encoding_names_its_line(tmp_path: Path) -> None:
    assert mistakes(written(tmp_path, HEAD.encode() + 'unit = "°C"'.encode("latin-1"))) == [
        "line 7: is not UTF-8 text"
    ]


def test_missing_file_folder_and_huge_file_are_clear_errors(tmp_path: Path) -> None:
    assert mistakes(tmp_path / "none.toml") == ["there is no such file"]
    (tmp_path / "folder.toml").mkdir()
    assert len(mistakes(tmp_path / "folder.toml")) == 1
    assert "larger than" in mistakes(written(tmp_path, b"#" * (1 << 21)))[0]
    assert mistakes(written(tmp_path, "a = " + "[\n" * 20_000)) == ["it is nested too deeply"]


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=3), inner, max_size=2)
    ),
    max_leaves=4,
)
FIELDS = [
    "id",
    "numbering",
    "factory",
    "fingerprint",
    "points",
    "readdress",
    "limits",
    "cautions",
    "generic",
]
KEYS = (
    "name function register type order scale scale_register names no_value tells server_id objects"
    " registers equals mask min length"
)
PART = st.dictionaries(st.sampled_from(KEYS.split()), JUNK, max_size=4)


def toml(value: object) -> str:
    """`value` as TOML; what TOML does not know becomes an empty table."""
    match value:
        case bool():
            return str(value).lower()
        case int() | float():
            return repr(value)
        case str():
            return '"' + "".join(f"\\U{ord(c):08X}" for c in value) + '"'
        case list():
            return "[" + ", ".join(map(toml, value)) + "]"
        case dict():
            return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
        case _:
            return "{}"


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(st.sampled_from(FIELDS), JUNK | PART | st.lists(PART, max_size=2), min_size=1)
)
def test_whatever_a_file_holds_it_is_a_file_error(
    tmp_path_factory: pytest.TempPathFactory, data: dict[str, object]
) -> None:
    text = "".join(f"{key} = {toml(value)}\n" for key, value in data.items())
    for mistake in mistakes(written(tmp_path_factory.mktemp("fuzz"), text)):
        assert mistake


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=60))
def test_any_bytes_are_a_file_error(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    assert mistakes(written(tmp_path_factory.mktemp("fuzz"), raw))

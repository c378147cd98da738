"""TOML files written by hand, and the lines of their mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.files.toml_file import FieldPath, TomlFile

TEXT = """a = 1
b = [
    1,
    2,
]
[c]
d = '''
a = 9
'''
e.f = 3
[[g]]
h = 1
[[g]]
h = 2
[g.i]
j = { k = 4 }
[[g.l]]
m = 5
[[g.l]]
n = 6
"""


@pytest.mark.parametrize(
    ("place", "where"),
    [
        (("a",), "a (line 1)"),
        (("b", 1), "b.2 (line 2)"),
        (("c",), "c (line 6)"),
        (("c", "d"), "c.d (line 7)"),
        (("c", "e", "f"), "c.e.f (line 10)"),
        (("g", 1, "h"), "g.2.h (line 14)"),
        (("g", 1, "missing"), "g.2.missing (line 13)"),
        (("g", 1, "i", "j", "k"), "g.2.i.j.k (line 16)"),
        (("g", 1, "l", 1), "g.2.l.2 (line 19)"),
        (("g", 1, "l", 1, "n"), "g.2.l.2.n (line 20)"),
        (("missing",), "missing"),
        (("c", "d", "[key]"), "c.d (line 7)"),
    ],
)
def test_a_mistake_is_told_with_the_line_its_place_begins_on(
    tmp_path: Path, place: FieldPath, where: str
) -> None:
    path = tmp_path / "x.toml"
    path.write_text(TEXT)
    (mistake,) = TomlFile.read(path, kind="profile").error([(place, "is wrong")]).mistakes
    assert str(mistake) == f"{where}: is wrong"


def test_mistakes_come_in_the_order_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(TEXT)
    found: list[tuple[FieldPath, str]] = [
        (("g", 0), "late"),
        (("z",), "nowhere"),
        (("a",), "early"),
    ]
    assert [m.what for m in TomlFile.read(path, kind="profile").error(found).mistakes] == [
        "nowhere",
        "early",
        "late",
    ]


def test_hundreds_of_mistakes_are_placed_at_once(tmp_path: Path) -> None:
    """A file made from a spreadsheet has its mistake in every entry."""
    path = tmp_path / "x.toml"
    path.write_text("[[g]]\nh = 1\n" * 500)
    found: list[tuple[FieldPath, str]] = [(("g", n, "h"), "is wrong") for n in range(500)]
    mistakes = TomlFile.read(path, kind="profile").error(found).mistakes
    assert [m.where for m in mistakes] == [f"g.{n}.h (line {2 * n})" for n in range(1, 501)]


def test_a_value_of_very_many_lines_costs_the_lines_behind_it_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("a = 1\nb = [\n" + "1,\n" * 1000 + "]\nc = 2\n")
    found: list[tuple[FieldPath, str]] = [(("a",), "x"), (("c",), "x")]
    assert {m.where for m in TomlFile.read(path, kind="profile").error(found).mistakes} == {
        "a (line 1)",
        "c",
    }

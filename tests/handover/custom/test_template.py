"""Templates of one's own: what they can say, and that none of them harms or hangs anything."""

from __future__ import annotations

import csv
import io
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt

from busprobe.errors import FileError
from busprobe.handover.custom import renderer
from busprobe.handover.custom.template import name_of, render
from busprobe.handover.custom.variables import (
    OF_A_POINT,
    OF_A_REQUEST,
    OF_BOTH,
    OF_THE_BUS,
    variables,
)
from busprobe.handover.tables.master_points import master_points
from tests.handover.hostile import MARKUP, saying
from tests.handover.site import clean_site

EXAMPLES = Path(renderer.__file__).parent / "examples"


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    with clean_site(tmp_path_factory.mktemp("site")) as session:
        yield variables(session.bus_list())


def made(folder: Path, template: str, said: dict[str, Any] | None = None) -> str:
    path = folder / "own.txt.j2"
    path.write_text(template, encoding="utf-8", newline="")
    return render(path, said or {}).decode()


def why(folder: Path, template: str, said: dict[str, Any] | None = None) -> str:
    with pytest.raises(FileError) as caught:
        made(folder, template, said)
    [mistake] = caught.value.mistakes
    return str(mistake)


def test_every_variable_is_explained_and_there(said: dict[str, Any]) -> None:
    assert said.keys() == OF_THE_BUS.keys()
    for point in said["points"]:
        assert point.keys() == OF_BOTH.keys() | OF_A_POINT.keys()
    for request in said["requests"]:
        assert request.keys() == OF_BOTH.keys() | OF_A_REQUEST.keys()


def test_the_csv_example_is_a_row_a_polled_point(said: dict[str, Any]) -> None:
    text = render(EXAMPLES / "points.csv.j2", said).decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    polled = [point for point in said["points"] if point["every_s"]]
    assert len(rows) == len(polled) > 15
    for row, point in zip(rows, polled, strict=True):
        assert None not in row and None not in row.values()
        assert (int(row["unit_id"]), int(row["first"])) == (point["address"], point["register"])
        assert float(row["scale"]) == point["scale"]
        assert int(row["interval_ms"]) == 10_000


def test_the_markdown_example_is_a_table_with_every_point(said: dict[str, Any]) -> None:
    html = MarkdownIt("gfm-like").render(render(EXAMPLES / "master.md.j2", said).decode())
    assert html.count("<tr>") == 1 + len(said["points"])
    assert html.count("<li>") == len(said["requests"])
    assert "41 (0x29)" in html


@pytest.mark.parametrize("text", MARKUP)
def test_no_text_of_a_unit_breaks_out_of_the_examples(text: str) -> None:
    hostile = variables(saying(text, text, text))
    rendered = render(EXAMPLES / "points.csv.j2", hostile).decode()
    rows = list(csv.reader(io.StringIO(rendered, newline=""), strict=True))
    assert {len(row) for row in rows} == {13}
    assert not [row for row in rows if row[0].lstrip().startswith(("=", "+", "-", "@"))]
    html = MarkdownIt("gfm-like").render(render(EXAMPLES / "master.md.j2", hostile).decode())
    for tag in ("<img", "<script", "<svg", "<a "):
        assert tag not in html


@pytest.mark.parametrize(
    ("template", "expected"),
    [
        ("a\n{% for p in points %}\n", "line 2: Unexpected end of template"),
        ("a\nb\n{{ p.name }\n", "line 3: unexpected '}'"),
        ("a\n{{ pints }}", "line 2: 'pints' is undefined"),
        ("\n\n{% for p in points %}\n{{ p.name }}{% endfor %}", "line 4: 'dict object' has no"),
        ("{{ 1 / 0 }}", "line 1: division by zero"),
        ("a\n{% include 'other' %}", "line 2: no loader"),
        ("\n{{ points|nosuch }}", "line 2: No filter named 'nosuch'"),
        ("\n{{ '\\ud800' }}", "surrogates not allowed"),
    ],
)
def test_a_bad_template_gets_its_line_and_the_reason(
    tmp_path: Path, template: str, expected: str
) -> None:
    assert expected in why(tmp_path, template, {"points": [{}]})


@pytest.mark.parametrize(
    "template",
    [
        "{{ ().__class__.__mro__ }}",
        "{{ points.__class__ }}",
        "{{ ''.format.__globals__ }}",
        "{{ '{0.__class__}'.format(points) }}",
        "{{ self._TemplateReference__context }}",
        "{% set x = points.append(1) %}",
        "{{ cycler.__init__.__globals__.os }}",
    ],
)
def test_a_template_reaches_nothing_but_the_variables(tmp_path: Path, template: str) -> None:
    assert "line 1" in why(tmp_path, template, {"points": [1]})


@pytest.fixture
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that renders has a second; its bounds are read there, so that the program is
    changed for it alone."""
    run = subprocess.run

    def with_a_second(command: Any, **more: Any) -> Any:
        program = (
            "import busprobe.handover.custom.renderer as r; r.SECONDS = 1.0;"
            " r.MOST_CHARACTERS = 1 << 20; r.main()"
        )
        return run((command[0], "-P", "-c", program), **more)

    monkeypatch.setattr(subprocess, "run", with_a_second)


LOOP = "{% for a in range(99999) %}{% for b in range(99999) %}"
ENDS = "{% endfor %}{% endfor %}"


@pytest.mark.usefixtures("hurried")
@pytest.mark.parametrize(
    ("template", "expected"),
    [
        (f"a\n\n{LOOP}\n{{% set x = b %}}\n{ENDS}", "does not end within 1 s"),
        (f"a\n{LOOP}0123456789{ENDS}", "line 2: makes more than 1 MiB of text"),
        ("a\n{{ 9 ** 9 ** 9 ** 9 ** 9 }}", "line 2: the power"),
        ("a\n{{ 'x' * 10 ** 11 }}", "line 2: needs more memory than is allowed"),
        ("\n{% macro m() %}{{ m() }}{% endmacro %}{{ m() }}", "line 2: is nested too deeply"),
        ("{{ range(10 ** 9) | list }}", "line 1: Range too big"),
    ],
)
def test_a_template_that_would_not_end_is_ended(
    tmp_path: Path, template: str, expected: str
) -> None:
    assert expected in why(tmp_path, template)


@pytest.mark.usefixtures("hurried")
def test_the_line_of_an_endless_loop_is_told(tmp_path: Path) -> None:
    told = why(tmp_path, f"a\n\n{LOOP}\n{{% set x = b %}}\n{ENDS}")
    assert told.startswith(("line 3: ", "line 4: "))


def test_line_ends_stay_as_the_template_has_them(tmp_path: Path) -> None:
    assert made(tmp_path, "a\r\n{{ site }}\r\n", {"site": "b"}) == "a\r\nb\r\n"
    assert made(tmp_path, "a\n{{ site }}\n", {"site": "b"}) == "a\nb\n"


def test_filters_write_what_formats_need(tmp_path: Path) -> None:
    said = {"n": 40, "t": '=a,"b"', "none": None}
    assert made(tmp_path, "{{ n|hex(4) }} {{ t|cell }} {{ none|cell }}.", said) == (
        '0x0028 "\'=a,""b""" .'
    )
    assert json.loads(made(tmp_path, "{{ t|tojson }}", said)) == '=a,"b"'


@pytest.mark.parametrize(
    ("name", "expected"),
    [("a.csv.j2", "a.csv"), ("a.md.jinja", "a.md"), ("a.txt", "a.txt"), (".j2", ".j2")],
)
def test_the_file_is_named_after_the_template(name: str, expected: str) -> None:
    assert name_of(Path(name)) == expected


def test_a_template_is_read_like_any_file(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="there is no such file"):
        render(tmp_path / "none.j2", {})
    (tmp_path / "latin.j2").write_bytes(b"a\n\xe4")
    with pytest.raises(FileError, match="line 2: is not UTF-8"):
        render(tmp_path / "latin.j2", {})


def test_a_file_of_ones_own_beside_it_is_no_part_of_the_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "json.py").write_text("raise SystemExit('mine')")
    monkeypatch.chdir(tmp_path)
    assert made(tmp_path, "{{ site }}", {"site": "here"}) == "here"


def test_values_are_those_of_the_sheet(said: dict[str, Any], tmp_path: Path) -> None:
    with clean_site(tmp_path) as session:
        sheet = master_points(session.bus_list())
    assert [(p["tag"], p["point"], p["request"]) for p in said["points"]] == [
        (one.tag, one.point, one.request) for one in sheet
    ]

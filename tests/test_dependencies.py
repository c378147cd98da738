"""What the program needs of others: bounded versions, and the licences that the table says."""

from __future__ import annotations

import re
import tomllib
from importlib.metadata import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NEEDED = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
    "dependencies"
]
ROW = re.compile(
    r"^\| (?P<packages>[^|]+) \| (?P<licences>[^|]+) \| [^|]+ \| [^|]+ \|$", re.MULTILINE
)


def name(requirement: str) -> str:
    return re.split(r"[<>=\[ ]", requirement)[0].lower()


def table() -> dict[str, set[str]]:
    """The packages of the table, each with the licences of its row."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = text.partition("## Dependencies")[2].partition("\n## ")[0]
    return {
        package.strip().lower(): {each.strip() for each in found["licences"].split(",")}
        for found in ROW.finditer(rows)
        for package in found["packages"].removeprefix("tests: ").split(",")
    }


@pytest.mark.parametrize("requirement", NEEDED)
def test_a_dependency_has_bounds_a_reason_and_the_licence_that_the_table_says(
    requirement: str,
) -> None:
    assert re.fullmatch(r"[\w-]+>=[\d.]+,<[\d.]+", requirement), "a lower and an upper bound"
    (listed,) = table()[name(requirement)]
    said = metadata(name(requirement)).json
    licence = f"{said.get('license_expression')} {said.get('license')} {said.get('classifier')}"
    assert listed in ("MIT", "BSD", "Apache")
    assert listed in licence

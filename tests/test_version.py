"""The version has one place, and what is published names the same one and its licence."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from busprobe import __version__

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_newest_entry_of_the_change_log_is_the_version() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("\n## Changes\n")[2]
    versions = re.findall(r"^### (\d+\.\d+\.\d+) - ", text, re.MULTILINE)
    assert versions[0] == __version__
    numbers = [tuple(map(int, each.split("."))) for each in versions]
    assert numbers == sorted(set(numbers), reverse=True)


def test_the_package_takes_its_number_from_the_one_place() -> None:
    assert "version" not in PROJECT["project"]
    assert PROJECT["tool"]["hatch"]["version"]["path"] == "busprobe/__init__.py"


def test_the_licence_text_is_the_one_that_is_declared() -> None:
    """SPDX calls it MIT; the text has the permission and the copyright notice that MIT asks for."""
    (file,) = PROJECT["project"]["license-files"]
    text = (ROOT / file).read_text(encoding="utf-8")
    assert PROJECT["project"]["license"] == "MIT"
    assert text.startswith("MIT License\n")
    assert re.search(r"^Copyright \(c\) \d{4} the busprobe authors$", text, re.MULTILINE)
    assert "The above copyright notice and this permission notice shall be included" in text

"""The folder for computers without network: what other systems need is told by their own markers
(PEP 508), not by those of the computer that makes the folder."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest

PROGRAM = Path(__file__).parents[1] / ".ci" / "offline.py"


@pytest.fixture(scope="module")
def offline() -> Any:
    spec = importlib.util.spec_from_file_location("offline", PROGRAM)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def wheel(folder: Path, name: str, *needs: str) -> Path:
    path = folder / f"{name}-1.0-py3-none-any.whl"
    listed = "".join(f"Requires-Dist: {need}\n" for need in needs)
    with zipfile.ZipFile(path, "w") as made:
        made.writestr(f"{name}-1.0.dist-info/METADATA", f"Metadata-Version: 2.1\n{listed}\nText")
    return path


NEEDS = (
    "always>=1",
    'for_windows; sys_platform == "win32"',
    'old_python; python_version < "3.12"',
    'for_arm; platform_machine == "arm64"',
    'for_tests; extra == "test"',
)


@pytest.mark.parametrize(
    ("system", "python", "wanted"),
    [
        ("linux", "3.12", {"always>=1"}),
        ("windows", "3.13", {"always>=1", "for_windows"}),
        ("macos", "3.11", {"always>=1", "for_arm", "old_python"}),
    ],
)
def test_what_is_missing_is_told_by_the_system_that_it_is_for(
    offline: Any, tmp_path: Path, system: str, python: str, wanted: set[str]
) -> None:
    wheel(tmp_path, "app", *NEEDS)
    assert offline.missing(tmp_path, offline.environment(system, python)) == wanted


def test_wheels_are_fetched_until_nothing_is_missing(
    offline: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The index of the test has a package that needs another one on Windows alone."""
    app, asked = wheel(tmp_path, "app", "console"), []

    def pip(*given: str) -> None:
        assert "--platform=win_amd64" in given
        names = [each for each in given[1:] if not each.startswith("--")]
        asked.append(names)
        folder = Path(next(each for each in given if each.startswith("--dest=")).partition("=")[2])
        folder.mkdir(exist_ok=True)
        for name in names:
            if name == str(app):
                wheel(folder, "app", "console")
                wheel(folder, "console", 'colours; platform_system == "Windows"')
            else:
                wheel(folder, name)

    monkeypatch.setattr(offline, "pip", pip)
    offline.collect(app, "windows", "3.12", tmp_path / "kit")
    assert asked == [[str(app)], ["colours"]]
    assert offline.missing(tmp_path / "kit", offline.environment("windows", "3.12")) == set()


def refused(*arguments: object) -> str:
    ran = subprocess.run(
        [sys.executable, str(PROGRAM), *map(str, arguments)], capture_output=True, text=True
    )
    assert ran.returncode == 2
    return ran.stderr


def test_a_system_that_there_is_not_is_told(tmp_path: Path) -> None:
    assert "no system is called amiga" in refused(tmp_path / "kit", "linux", "amiga")
    assert not (tmp_path / "kit").exists()


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "work.txt").write_text("work")
    assert "is not empty" in refused(tmp_path, "linux")

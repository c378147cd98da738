"""Make a folder from which busprobe is installed on a computer without network.

python3 .ci/offline.py FOLDER [SYSTEM ...] [--python VERSION ...]

SYSTEM is linux, linux-arm, windows, macos or macos-intel; all if none is named.  Needs pip and a
package index, and nothing else: wheels for other systems are fetched from there, not built.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Iterator, Mapping
from email.parser import Parser
from pathlib import Path

from pip._vendor.packaging.requirements import Requirement
from pip._vendor.packaging.utils import canonicalize_name, parse_wheel_filename

ROOT = Path(__file__).resolve().parents[1]
SYSTEMS = {
    "linux": (["manylinux_2_28_x86_64", "manylinux_2_17_x86_64"], "linux", "Linux", "x86_64"),
    "linux-arm": (
        ["manylinux_2_28_aarch64", "manylinux_2_17_aarch64"],
        "linux",
        "Linux",
        "aarch64",
    ),
    "windows": (["win_amd64"], "win32", "Windows", "AMD64"),
    "macos": (["macosx_11_0_arm64"], "darwin", "Darwin", "arm64"),
    "macos-intel": (["macosx_11_0_x86_64"], "darwin", "Darwin", "x86_64"),
}
"""Tags of wheels, ``sys_platform``, ``platform_system`` and ``platform_machine`` of each."""
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
_HOW = """busprobe {version}, to be installed without network, in this folder:

Linux, macOS:
  python3 -m venv .venv
  .venv/bin/python -m pip install --no-index --find-links . busprobe
  .venv/bin/busprobe demo

Windows:
  py -m venv .venv
  .venv\\Scripts\\python -m pip install --no-index --find-links . busprobe
  .venv\\Scripts\\busprobe demo

For: {systems}; Python {pythons}.
"""


def environment(system: str, python: str) -> dict[str, str]:
    """What decides on a computer of `system` whether a requirement holds there (PEP 508)."""
    _, sys_platform, platform_system, machine = SYSTEMS[system]
    return {
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "os_name": "nt" if system == "windows" else "posix",
        "sys_platform": sys_platform,
        "platform_system": platform_system,
        "platform_machine": machine,
        "python_version": python,
        "python_full_version": f"{python}.0",
        "implementation_version": f"{python}.0",
    }


def needed(wheel: Path, about: Mapping[str, str]) -> Iterator[Requirement]:
    """What a wheel needs where `about` holds; pip itself would ask the computer that it runs on."""
    with zipfile.ZipFile(wheel) as opened:
        (name,) = (n for n in opened.namelist() if n.endswith(".dist-info/METADATA"))
        said = Parser().parsestr(opened.read(name).decode())
    for text in said.get_all("Requires-Dist") or []:
        found = Requirement(text)
        if found.marker is None or found.marker.evaluate({**about, "extra": ""}):
            yield found


def missing(folder: Path, about: Mapping[str, str]) -> set[str]:
    """Requirements of the wheels in `folder` that no wheel there is for."""
    wheels = list(folder.glob("*.whl"))
    there = {parse_wheel_filename(wheel.name)[0] for wheel in wheels}
    return {
        str(Requirement(f"{each.name}{each.specifier}"))
        for wheel in wheels
        for each in needed(wheel, about)
        if canonicalize_name(each.name) not in there
    }


def pip(*arguments: str) -> None:
    """Run pip and end where it fails."""
    subprocess.run([sys.executable, "-m", "pip", "-q", *arguments], check=True)


def collect(wheel: Path, system: str, python: str, folder: Path) -> None:
    """Fetch all wheels that the `wheel` of busprobe needs on `system`."""
    tags = [f"--platform={tag}" for tag in SYSTEMS[system][0]]
    left = {str(wheel)}
    while left:
        pip(
            "download",
            "--only-binary=:all:",
            f"--python-version={python}",
            *tags,
            f"--dest={folder}",
            *sorted(left),
        )
        left = missing(folder, environment(system, python))


def main() -> None:
    """Make the folder."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("systems", nargs="*", metavar="SYSTEM", help=", ".join(SYSTEMS))
    parser.add_argument("--python", nargs="+", choices=PYTHONS, default=PYTHONS)
    given = parser.parse_args()
    systems = given.systems or list(SYSTEMS)
    if unknown := set(systems) - set(SYSTEMS):
        parser.error(f"no system is called {', '.join(sorted(unknown))}")
    if given.folder.exists() and any(given.folder.iterdir()):
        parser.error(f"{given.folder} is not empty")
    with tempfile.TemporaryDirectory() as scratch:
        built = Path(scratch) / "built"
        pip("wheel", "--no-deps", f"--wheel-dir={built}", str(ROOT))
        (wheel,) = built.glob("*.whl")
        given.folder.mkdir(parents=True, exist_ok=True)
        for system in systems:
            for python in given.python:
                fetched = Path(scratch) / f"{system}-{python}"
                collect(wheel, system, python, fetched)
                for each in fetched.glob("*.whl"):
                    shutil.copy2(each, given.folder)
                print(f"{system}, Python {python}: {len(list(fetched.glob('*.whl')))} wheels")
        text = _HOW.format(
            version=parse_wheel_filename(wheel.name)[1],
            systems=", ".join(systems),
            pythons=", ".join(given.python),
        )
        (given.folder / "INSTALL.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

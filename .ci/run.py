"""Everything that has to hold before a change lands: the README's own test command, lint, types
and the rooms, longer runs than the tests have time for, and an installation without network.

Needs Python 3.11 or newer with venv, on any system: python .ci/run.py
"""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WINDOWS = os.name == "nt"
PROGRAMS = "Scripts" if WINDOWS else "bin"
VENV = ROOT / ".venv" / PROGRAMS
SCRATCH = ROOT / ".ci"


def run(*command: object, where: Path = ROOT) -> None:
    """Say a command, run it, and end with its exit code where it fails."""
    words = [str(word) for word in command]
    print("+", *words, flush=True)
    code = subprocess.run(words, cwd=where).returncode
    if code:
        sys.exit(code)


def readme_command() -> None:
    """The very command that the README tells contributors to run, so that it cannot rot."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.search(r"^python3 -m venv .* -m pytest$", text, re.MULTILINE)
    if found is None:
        sys.exit("README.md has no command that sets up and tests")
    for part in found[0].split(" && "):
        words = [word.strip("'") for word in part.split()]
        words[0] = words[0].replace(".venv/bin", str(VENV))
        run(sys.executable if words[0] == "python3" else words[0], *words[1:])


def known_vulnerabilities() -> None:
    """Of what is installed, where the index can be reached."""
    got = subprocess.run([VENV / "python", "-m", "pip", "-q", "install", "pip-audit"]).returncode
    index = "import urllib.request as u; u.urlopen('https://pypi.org/pypi/pip/json', timeout=10)"
    reached = subprocess.run([VENV / "python", "-c", index], stderr=subprocess.DEVNULL).returncode
    if got or reached:
        print("Known vulnerabilities were not looked up: the package index cannot be reached.")
        return
    # Of pip and setuptools, which came with the environment, the index has its own to say.
    freeze = ("freeze", "--exclude-editable", "--exclude", "pip", "--exclude", "setuptools")
    listed = subprocess.run(
        [VENV / "python", "-m", "pip", *freeze], capture_output=True, check=True
    )
    (SCRATCH / "installed.txt").write_bytes(listed.stdout)
    run(VENV / "pip-audit", "--no-deps", "--disable-pip", "-r", SCRATCH / "installed.txt")


def installed_without_network() -> None:
    """The wheels of this system are enough: licence, profiles, scenarios and templates are in ours,
    and the whole job is done without the checkout."""
    kit, bare = SCRATCH / "kit", SCRATCH / "bare"
    for folder in (kit, bare):
        shutil.rmtree(folder, ignore_errors=True)
    system = {"win32": "windows", "darwin": "macos"}.get(sys.platform, "linux")
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    run(sys.executable, SCRATCH / "offline.py", kit, system, "--python", python)
    run(sys.executable, "-m", "venv", bare)
    without_index = ("--no-index", "--find-links", kit, "busprobe")
    run(bare / PROGRAMS / "python", "-m", "pip", "-q", "install", *without_index)
    for place in ("busprobe/LICENSE", "licenses/busprobe/LICENSE"):
        if not list(bare.rglob(place)):
            sys.exit(f"no {place} in the wheel")
    busprobe, elsewhere = bare / PROGRAMS / "busprobe", Path(bare.anchor)
    run(busprobe, "profiles", "list", where=elsewhere)
    job = ("demo", "--unattended", "--overwrite", "--out", SCRATCH / "job")
    run(busprobe, *job, where=elsewhere)


def main() -> None:
    """Run all of it, and end at the first that fails."""
    readme_command()
    run(VENV / "ruff", "check", ".")
    run(VENV / "ruff", "format", "--check", ".")
    run(VENV / "mypy")
    run(VENV / "lint-imports")
    python = VENV / "python"
    # Moves ended by a kill or a full disk at thousands of moments; the suite tries only a few.
    run(python, "-m", "tests.benchmarks.kills", "--ends", 1200)
    # A part of the million replies, thousands of runs and 100,000 damaged files, others each time.
    sizes = ("--replies", 50000, "--runs", 40, "--files", 10000)
    run(python, "-m", "tests.benchmarks.fuzz", *sizes, "--first", random.randrange(32768))
    known_vulnerabilities()
    installed_without_network()


if __name__ == "__main__":
    main()

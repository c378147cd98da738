"""Completion by the Tab key, in the shells that are installed here, as the README says it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def shell(name: str, script: str, folder: Path) -> str:
    """What `script` prints in that shell, with busprobe on its way."""
    found = shutil.which(name)
    if found is None or sys.platform == "win32":
        pytest.skip(f"{name} is not installed")
    program = folder / "busprobe"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m busprobe "$@"\n', encoding="utf-8")
    program.chmod(0o700)
    ran = subprocess.run(
        [found, "-c", script],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PATH": f"{folder}:{os.environ['PATH']}", "HOME": str(folder)},
    )
    assert ran.stderr == ""
    return ran.stdout


def line_for(name: str) -> str:
    """What the README says to put into the start file of a shell."""
    (line,) = (line for line in README.splitlines() if f"{name}_source busprobe" in line)
    return line.partition("    ")[0]


def test_in_bash(tmp_path: Path) -> None:
    script = f"""{line_for("bash")}
complete -p busprobe
COMP_WORDS=(busprobe sur) COMP_CWORD=1
_busprobe_completion busprobe
echo "${{COMPREPLY[@]}}"
COMPREPLY=() COMP_WORDS=(busprobe survey --por) COMP_CWORD=2
_busprobe_completion busprobe
echo "${{COMPREPLY[@]}}"
"""
    registered, *completed = shell("bash", script, tmp_path).split("\n")
    assert registered.endswith("_busprobe_completion busprobe")
    assert completed == ["survey", "--port", ""]


def test_in_zsh(tmp_path: Path) -> None:
    """What the function of zsh gets is looked at in place of zsh's own menu, which needs a
    terminal."""
    script = f"""autoload -Uz compinit && compinit -u -D
{line_for("zsh")}
echo "$_comps[busprobe]"
_describe() {{ eval "print -l \\${{$3}}"; }}
words=(busprobe sur) CURRENT=2
_busprobe_completion
"""
    function, first = shell("zsh", script, tmp_path).split("\n")[:2]
    assert function == "_busprobe_completion"
    assert first.startswith("survey:")


def test_in_fish(tmp_path: Path) -> None:
    script = f"""{line_for("fish")}
complete -C "busprobe sur"
complete -C "busprobe survey --por"
"""
    first, second = shell("fish", script, tmp_path).strip().split("\n")
    assert first.startswith("survey\t")
    assert second.startswith("--port\t")


@pytest.mark.parametrize("name", ["bash", "zsh", "fish"])
def test_the_script_ends_well(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "busprobe"],
        capture_output=True,
        text=True,
        env={**os.environ, "_BUSPROBE_COMPLETE": f"{name}_source"},
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "_busprobe_completion" in ran.stdout

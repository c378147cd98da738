"""A path that leads to no usable file is named with what is wrong there, whatever the command."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from tests.cli.conftest import Command


def fifo(folder: Path) -> Path:
    os.mkfifo(folder / "fifo")
    return folder / "fifo"


def loop(folder: Path) -> Path:
    (folder / "loop").symlink_to(folder / "loop")
    return folder / "loop"


def below_a_file(folder: Path) -> Path:
    (folder / "file").write_text("", encoding="utf-8")
    return folder / "file" / "deeper" / "x"


def a_folder(folder: Path) -> Path:
    (folder / "folder").mkdir()
    return folder / "folder"


def a_file(folder: Path) -> Path:
    (folder / "text").write_bytes(b"\xff\xfe not UTF-8")
    return folder / "text"


EVERYWHERE: tuple[Callable[[Path], Path], ...] = (
    loop,
    below_a_file,
    lambda folder: folder / ("x" * 300),
    lambda _: Path("a\0b"),
)
PATHS = (
    EVERYWHERE
    if sys.platform == "win32"
    else (*EVERYWHERE, fifo, lambda _: Path("/dev/zero"), lambda _: Path("/dev/full"))
)
AT = ("--port", "virtual:clean", "--settings", "9600-8N1")
FILES = (
    ("journal", "--job", "{path}"),
    ("survey", *AT, "--addresses", "11", "--job", "{path}"),
    ("prove", "--port", "virtual:clean", "--rounds", "1", "--job", "{path}"),
    ("compare", "{path}", "{job}"),
    ("handover", "--job", "{job}", "--out", "{out}", "--circuits", "{path}"),
    ("handover", "--job", "{job}", "--out", "{out}", "--compare-with", "{path}"),
    ("readdress-all", *AT[:2], "--job", "{job}", "--plan", "{path}"),
    ("profiles", "check", "{path}"),
    ("virtual", "{path}", "--tcp", "127.0.0.1:0"),
    ("survey", "--port", "virtual:{path}", "--settings", "9600-8N1", "--addresses", "11"),
)
FOLDERS = (
    ("handover", "--job", "{job}", "--out", "{path}", "--format", "csv"),
    ("demo", "--unattended", "--out", "{path}"),
)


@pytest.mark.timeout(20)
@pytest.mark.parametrize(
    ("arguments", "make"),
    [
        *((one, make) for one in FILES for make in (*PATHS, a_folder, a_file)),
        *((one, make) for one in FOLDERS for make in (*PATHS, a_file)),
    ],
)
def test_what_is_no_usable_file_is_named(
    arguments: tuple[str, ...], make: Callable[[Path], Path], command: Command, tmp_path: Path
) -> None:
    Job.create(tmp_path / "good.busjob").close()
    path = make(tmp_path)
    given = {"path": str(path), "job": str(tmp_path / "good.busjob"), "out": str(tmp_path / "out")}
    ran = command(*(one.format(**given) for one in arguments))
    assert "busprobe itself failed" not in ran.err
    assert ran.code == ExitCode.USAGE
    assert "\\x00" in ran.err + ran.out or path.name in "".join((ran.err + ran.out).split())


def test_a_home_folder_in_quotes_is_meant_as_one(command: Command, tmp_path: Path) -> None:
    """A shell leaves ``~`` in quotes as it is."""
    (tmp_path / "home").mkdir()
    Job.create(tmp_path / "home" / "a.busjob").close()
    assert command("journal", "--job", "~/a.busjob").code == ExitCode.DONE
    assert command("journal", "--job", "~no-such-user/a.busjob").code == ExitCode.USAGE

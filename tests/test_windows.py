"""Nothing here has been run on Windows: what Windows would refuse is refused here instead.

In a program of its own the modules and functions that only POSIX has are taken away, and a file
that is open can neither be renamed, replaced nor deleted, nor can its folder.
"""

from __future__ import annotations

import errno
import os
import re
import subprocess
import sys
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

import busprobe
from busprobe.cli import ending
from busprobe.errors import ExitCode, UsageError
from busprobe.job.reading import sqlite_uri
from busprobe.profiles.store import file_for

AS_ON_WINDOWS = """
import builtins, os, pathlib, signal, sys
for name in ("openpty", "set_blocking", "statvfs", "mkfifo"):
    if hasattr(os, name):
        delattr(os, name)
for name in ("SIGHUP", "SIGPIPE", "SIGALRM", "SIGKILL", "SIGUSR1"):
    delattr(signal, name)
real_import = builtins.__import__
def guarded(name, globals=None, *rest, **more):
    ours = (globals or {}).get("__name__", "").startswith("busprobe")
    if ours and name.split(".")[0] in {"termios", "fcntl", "pty", "tty", "grp", "pwd", "resource"}:
        raise ModuleNotFoundError(f"not on Windows: {name}", name=name)
    return real_import(name, globals, *rest, **more)
builtins.__import__ = guarded

def in_use(path):
    path = os.path.abspath(path)
    for number in os.listdir("/proc/self/fd"):
        try:
            open_file = os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue
        if open_file == path or open_file.startswith(path + os.sep):
            return True
    return False

def refusing(real, paths):
    def call(*given, **more):
        for path in given[:paths]:
            if isinstance(path, (str, os.PathLike)) and in_use(os.fspath(path)):
                raise PermissionError(13, "used by another process (WinError 32)", str(path))
        return real(*given, **more)
    return call
for name, paths in (("rename", 2), ("replace", 2), ("unlink", 1), ("remove", 1)):
    setattr(os, name, refusing(getattr(os, name), paths))

from busprobe.cli import run
"""


def windows(program: str, folder: Path) -> str:
    """What a program prints that is run as on Windows, as far as that can be had here."""
    if not sys.platform.startswith("linux"):
        pytest.skip("looks into /proc for open files")
    environment = {**os.environ, "HOME": str(folder), "XDG_DATA_HOME": str(folder / "data")}
    ran = subprocess.run(
        [sys.executable, "-c", AS_ON_WINDOWS + program],
        capture_output=True,
        text=True,
        cwd=folder,
        env=environment,
    )
    assert ran.returncode == 0, ran.stderr
    assert "itself failed" not in ran.stderr
    return ran.stdout + ran.stderr


def test_the_check_refuses_what_windows_refuses(tmp_path: Path) -> None:
    said = windows(
        """
file = open("a.txt", "w")
for call in (lambda: os.replace("a.txt", "b.txt"), lambda: pathlib.Path("a.txt").unlink()):
    try:
        call()
    except PermissionError as error:
        print("refused", error.filename)
file.close()
os.replace("a.txt", "b.txt")
""",
        tmp_path,
    )
    assert said == "refused a.txt\nrefused a.txt\n"
    assert (tmp_path / "b.txt").exists()


@pytest.mark.timeout(400)
def test_the_whole_job_moves_no_file_that_is_open(tmp_path: Path) -> None:
    """The hand over is written twice, so that files are replaced; then what else makes files."""
    said = windows(
        """
AT = ["--port", "virtual:clean", "--settings", "9600-8N1"]
for given in (
    ["demo", "--unattended", "--scenario", "clean", "--out", "job"],
    ["handover", "--job", "job/clean.busjob", "--out", "job", "--overwrite"],
    ["job", "rescue", "job/clean.busjob"],
    ["compare", "job/clean.busjob", "job/clean-rescued.busjob"],
    ["--trace", "bus.pcapng", "--log", "log.txt", "identify", *AT, "--address", "11"],
    ["trace", "bus.pcapng"],
    ["profiles", "draft", *AT, "--address", "11", "--point", "1 Flow S16", "--save", "flow-1"],
    ["hunt", *AT, "--addresses", "11", "--rounds", "2", "--job", "hunt.busjob"],
):
    print(given[0], run(given))
""",
        tmp_path,
    )
    codes = re.findall(r"^(\S+) (\d)$", said, re.MULTILINE)
    assert {code for _, code in codes} <= {"0", "1"}, said
    assert len(codes) == 8
    assert (tmp_path / "job" / "clean-rescued.busjob").exists()


def test_what_windows_has_not_is_told_with_what_to_do(tmp_path: Path) -> None:
    said = windows(
        """
print(run(["virtual", "clean", "--pty", "bus0"]))
print(run(["survey", "--port", "COM77"]))
print(run(["ports"]))
""",
        tmp_path,
    )
    assert re.findall(r"^\d$", said, re.MULTILINE) == ["2", "3", "0"]
    assert "Serve on TCP instead" in said
    assert "COM77" in said


@pytest.mark.parametrize(
    ("path", "uri"),
    [
        (PureWindowsPath(r"C:\Jobs\Plant 1.busjob"), "file:///C%3A/Jobs/Plant%201.busjob"),
        (PureWindowsPath(r"\\server\share\a.busjob"), "file:////server/share/a.busjob"),
        (PurePosixPath("/home/a?b#c.busjob"), "file:///home/a%3Fb%23c.busjob"),
    ],
)
def test_a_path_is_an_address_for_sqlite(path: PureWindowsPath | PurePosixPath, uri: str) -> None:
    """The forms are those of sqlite.org/uri.html, which decodes %HH everywhere in the path."""
    assert sqlite_uri(path) == uri


@pytest.mark.parametrize("name", ["con", "nul", "com1", "lpt9"])
def test_a_profile_is_not_called_like_a_device(name: str) -> None:
    """Microsoft Learn, Naming Files, Paths, and Namespaces: these names are no files, whatever
    follows the dot."""
    with pytest.raises(UsageError, match="Windows has no file of that name"):
        file_for(name)


def test_a_closed_pipe_is_output_that_cannot_be_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows says EINVAL of it (from memory); on a file that is an error of its own."""
    error = OSError(errno.EINVAL, "Invalid argument")
    assert not ending.is_output(error)
    monkeypatch.setattr(sys, "platform", "win32")
    assert ending.is_output(error)
    assert not ending.is_output(OSError(errno.EINVAL, "Invalid argument", "plan.csv"))


def test_no_time_is_taken_from_a_clock_that_is_coarse_on_windows() -> None:
    """`time.monotonic` goes in steps of 15.6 ms there (What's New In Python 3.13, time)."""
    for source in (Path(busprobe.__file__).parent / "line").rglob("*.py"):
        assert "time.monotonic()" not in source.read_text(encoding="utf-8"), source


def test_a_demo_whose_job_is_open_elsewhere_is_told(tmp_path: Path) -> None:
    said = windows(
        """
from busprobe.job import Job
os.mkdir("job")
with Job.create(pathlib.Path("job/site.busjob")) as job:
    job.set_meta(port="virtual:site")
file = open("job/site.busjob", "rb")
print("code", run(["demo", "--unattended", "--out", "job", "--overwrite"]))
""",
        tmp_path,
    )
    assert f"code {int(ExitCode.USAGE)}" in said
    assert "Close the program that has it open" in said

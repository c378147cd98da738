"""Files take their names all or none, replace nothing unasked, and survive a program that is killed
on the way."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from busprobe.errors import FileError, RefusedError
from busprobe.files.placing import place

NEW = {"a.csv": b"new a", "b.csv": b"new b", "c.csv": b"new c"}
OLD = {"a.csv": b"old a", "c.csv": b"old c", "notes.txt": b"mine"}

_KILLED = """
import os, signal, sys
from pathlib import Path
from busprobe.files.placing import place

left = int(sys.argv[2])

def counted(real):
    def call(*given, **named):
        global left
        left -= 1
        if left < 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*given, **named)
    return call

for name in ("link", "rename", "replace", "mkdir", "fsync", "rmdir", "unlink"):
    setattr(os, name, counted(getattr(os, name)))
place(Path(sys.argv[1]), {contents!r}, overwrite=sys.argv[3] == "True")
"""
"""Places files and is killed at one of the calls that change what is on the disk."""


def contents(folder: Path) -> dict[str, bytes]:
    return {entry.name: entry.read_bytes() for entry in folder.iterdir() if entry.is_file()}


def filled(folder: Path, files: dict[str, bytes]) -> Path:
    folder.mkdir(parents=True)
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def killed_at(call: int, folder: Path, *, overwrite: bool) -> bool:
    """Place the new files in a process that is killed at that call; False if it came to its end
    before."""
    script = _KILLED.replace("{contents!r}", repr(NEW))
    ended = subprocess.run(
        [sys.executable, "-c", script, str(folder), str(call), str(overwrite)], check=False
    )
    assert ended.returncode in (0, -signal.SIGKILL)
    return ended.returncode != 0


def at_every_call(
    tmp_path: Path, overwrite: bool, files: dict[str, bytes] | None, check: Callable[[Path], None]
) -> int:
    """Have the program killed at each call in turn, and the folder looked at each time; how often
    that was."""
    for call in range(100):
        folder = tmp_path / str(call) / "papers"
        if files is not None:
            filled(folder, files)
        killed = killed_at(call, folder, overwrite=overwrite)
        check(folder)
        if not killed:
            return call
    raise AssertionError("it never came to its end")


kills = pytest.mark.skipif(
    not hasattr(signal, "SIGKILL"), reason="nobody is killed so on this system"
)


@kills
def test_a_new_folder_has_all_files_or_is_not_there_whenever_the_program_is_killed(
    tmp_path: Path,
) -> None:
    seen = []

    def check(folder: Path) -> None:
        seen.append(folder.exists())
        if folder.exists():
            assert contents(folder) == NEW
        place(folder, NEW, overwrite=True)  # what was left does not stand in the way
        assert contents(folder) == NEW

    assert at_every_call(tmp_path, False, None, check) > 4
    assert False in seen
    assert True in seen


@kills
def test_a_folder_that_is_there_never_has_half_a_file_nor_loses_one(tmp_path: Path) -> None:
    notes = {"notes.txt": b"mine"}

    def check(folder: Path) -> None:
        now = contents(folder)
        assert now.pop("notes.txt") == b"mine"
        assert now.items() <= NEW.items()
        place(folder, NEW, overwrite=True)
        assert contents(folder) == {**NEW, **notes}

    assert at_every_call(tmp_path, False, notes, check) > 4


@kills
def test_what_is_replaced_is_in_its_place_or_aside_and_the_next_try_says_so(tmp_path: Path) -> None:
    aside_seen = 0

    def check(folder: Path) -> None:
        nonlocal aside_seen
        now = contents(folder)
        assert now.pop("notes.txt") == b"mine"
        for name, content in now.items():
            assert content in (NEW[name], OLD.get(name)), "whole, whichever it is"
        aside = {
            file.name.removesuffix(".old"): file.read_bytes()
            for file in folder.glob(".busprobe-*/*.old")
        }
        for name in ("a.csv", "c.csv"):
            assert OLD[name] in (now.get(name), aside.get(name)) or now == NEW
        if aside:
            aside_seen += 1
            with pytest.raises(
                FileError, match=r"being replaced now, or that was interrupted.*\.busprobe-"
            ):
                place(folder, NEW, overwrite=True)
            assert {file.name for file in folder.glob(".busprobe-*/*.old")} == {
                f"{name}.old" for name in aside
            }
        else:
            place(folder, NEW, overwrite=True)

    at_every_call(tmp_path, True, OLD, check)
    assert aside_seen > 2


def test_a_file_that_appears_at_the_last_moment_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = filled(tmp_path / "papers", {"notes.txt": b"mine"})
    link = os.link

    def late(source: Path, target: Path) -> None:
        if target.name == "b.csv":
            target.write_bytes(b"somebody else's")
        link(source, target)

    monkeypatch.setattr(os, "link", late)
    with pytest.raises(RefusedError, match=r"b\.csv was made by another program meanwhile"):
        place(folder, NEW)
    assert contents(folder) == {"notes.txt": b"mine", "b.csv": b"somebody else's"}


def test_a_folder_that_appears_at_the_last_moment_keeps_what_is_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "papers"
    rename = os.rename

    def late(source: Path, target: Path) -> None:
        filled(folder, {"b.csv": b"somebody else's"})
        rename(source, target)

    monkeypatch.setattr(os, "rename", late)
    with pytest.raises(RefusedError, match=r"b\.csv was made by another program meanwhile"):
        place(folder, NEW)
    assert contents(folder) == {"b.csv": b"somebody else's"}
    assert not list(tmp_path.glob(".busprobe-*"))


@pytest.mark.parametrize("appears", [False, True])
def test_a_file_system_without_hard_links_is_written_to_as_carefully(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, appears: bool
) -> None:
    folder = filled(tmp_path / "papers", {"notes.txt": b"mine"})

    def refused(source: Path, target: Path) -> None:
        if appears and target.name == "c.csv":
            target.write_bytes(b"somebody else's")
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    if appears:
        with pytest.raises(RefusedError):
            place(folder, NEW)
        assert contents(folder) == {"notes.txt": b"mine", "c.csv": b"somebody else's"}
    else:
        place(folder, NEW)
        assert contents(folder) == {**NEW, "notes.txt": b"mine"}


@kills
def test_a_name_that_was_only_reserved_is_free_again_at_the_next_try(tmp_path: Path) -> None:
    """Without hard links a name is taken before the file moves to it; a program killed in between
    leaves it empty."""
    script = _KILLED.replace("{contents!r}", repr(NEW)).replace(
        "place(Path",
        "os.link = lambda *_: (_ for _ in ()).throw(PermissionError(1, 'Operation not"
        " permitted'))\nplace(Path",
    )
    empty = 0
    for call in range(100):
        folder = filled(tmp_path / str(call), {"notes.txt": b"mine"})
        ended = subprocess.run(
            [sys.executable, "-c", script, str(folder), str(call), "False"], check=False
        )
        now = contents(folder)
        empty += b"" in now.values()
        assert all(content in (b"", NEW.get(name), b"mine") for name, content in now.items())
        if ended.returncode == 0:
            break
        if now.items() <= {"notes.txt": b"mine", **dict.fromkeys(NEW, b"")}.items():
            place(folder, NEW)
            assert contents(folder) == {**NEW, "notes.txt": b"mine"}
    assert empty == len(NEW)


def test_an_empty_file_of_somebody_else_is_not_taken_for_a_reserved_name(tmp_path: Path) -> None:
    folder = filled(tmp_path / "papers", {"a.csv": b""})
    with pytest.raises(RefusedError):
        place(folder, NEW)
    assert contents(folder) == {"a.csv": b""}


def test_two_programs_at_once_never_leave_a_mixture(tmp_path: Path) -> None:
    """Each has its own contents for the same names; whoever meets the other's file takes back its
    own."""
    script = """
import sys
from pathlib import Path
from busprobe.errors import RefusedError
from busprobe.files.placing import place
try:
    place(Path(sys.argv[1]), {f"{n}.csv": sys.argv[2].encode() for n in range(40)})
except RefusedError:
    sys.exit(4)
"""
    for attempt in range(12):
        folder = tmp_path / str(attempt)
        if attempt % 2:
            filled(folder, {})
        both = [
            subprocess.Popen([sys.executable, "-c", script, str(folder), who])
            for who in ("one", "two")
        ]
        codes = [each.wait() for each in both]
        assert set(codes) <= {0, 4}
        placed = set(contents(folder).values())
        assert placed == {
            who.encode() for who, code in zip(("one", "two"), codes, strict=True) if code == 0
        }
        assert not list(folder.glob(".busprobe-*"))


def test_what_cannot_be_put_back_is_kept_aside_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that is blocked in the middle: neither the new file can have it, nor the old one
    again."""
    folder = filled(tmp_path / "papers", OLD)
    replace = os.replace

    def blocked(source: Path, target: Path) -> None:
        if target == folder / "c.csv":
            raise PermissionError(13, "The file is in use")
        replace(source, target)

    monkeypatch.setattr(os, "replace", blocked)
    with pytest.raises(OSError, match=r"in use.*c\.csv can be found in \.busprobe-"):
        place(folder, NEW, overwrite=True)
    assert contents(folder) == {"a.csv": b"old a", "notes.txt": b"mine"}
    (aside,) = folder.glob(".busprobe-*/*.old")
    assert (aside.name, aside.read_bytes()) == ("c.csv.old", b"old c")


def test_an_interrupt_in_the_middle_takes_everything_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = filled(tmp_path / "papers", OLD)
    replace = os.replace

    def interrupted(source: Path, target: Path) -> None:
        replace(source, target)
        if target == folder / "b.csv":
            raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(KeyboardInterrupt):
        place(folder, NEW, overwrite=True)
    assert contents(folder) == OLD
    assert not list(folder.glob(".busprobe-*"))


def test_a_new_folder_is_open_to_whom_any_other_would_be(tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    place(tmp_path / "deep" / "papers", NEW)
    assert (tmp_path / "deep" / "papers").stat().st_mode == (tmp_path / "other").stat().st_mode
    assert [entry.name for entry in (tmp_path / "deep").iterdir()] == ["papers"]

"""Whoever may not see a job may not see what is made from it (POSIX)."""

from __future__ import annotations

import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from tests.cli.conftest import Command

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such permissions")


@pytest.fixture(params=[0o022, 0o027, 0o077, 0o000], ids=oct)
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@pytest.mark.parametrize("of_job", [0o644, 0o640, 0o600])
def test_papers_are_open_to_whom_umask_and_job_let(
    of_job: int, umask: int, command: Command, tmp_path: Path
) -> None:
    path = tmp_path / "a.busjob"
    Job.create(path).close()
    assert mode(path) == 0o644 & ~umask  # SQLite: SQLITE_DEFAULT_FILE_PERMISSIONS
    path.chmod(of_job)
    (tmp_path / "there").mkdir()
    for folder in (tmp_path / "new", tmp_path / "there"):
        assert command("handover", "--job", path, "--out", folder).code <= ExitCode.ATTENTION
        files = list(folder.iterdir())
        assert files
        assert {mode(file) for file in files} == {0o666 & ~umask & of_job}
    assert mode(tmp_path / "new") == 0o777 & ~umask & (of_job | (of_job & 0o444) >> 2 | 0o700)
    assert command("job", "rescue", path).code == ExitCode.DONE
    assert mode(tmp_path / "a-rescued.busjob") == 0o666 & ~umask & of_job


def test_what_is_being_written_waits_beside_its_place(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a file is in no folder that others look into, and never on another disk."""
    made: list[Path] = []
    opened = Path.open

    def note(path: Path, *arguments: str, **more: str) -> object:
        if arguments and arguments[0] == "xb":
            made.append(path)
        return opened(path, *arguments, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", note)
    Job.create(tmp_path / "a.busjob").close()
    out = tmp_path / "out"
    command("handover", "--job", tmp_path / "a.busjob", "--out", out, "--format", "csv")
    assert made
    assert all(path.is_relative_to(tmp_path) and path.parent != out for path in made)
    assert sorted(path.name for path in out.iterdir()) == sorted(path.name for path in made)
    assert {path.name for path in tmp_path.iterdir()} <= {"a.busjob", "out", "data", "home"}

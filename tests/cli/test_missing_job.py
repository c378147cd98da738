"""A job that does not exist: never begun by a command that works on what a job has, and said where
one is begun."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job
from tests.cli.conftest import Command

PORT = ("--port", "virtual:clean")
ONE_UNIT = ("--settings", "9600-8N1", "--address", 11)
NEED_A_JOB: dict[str, tuple[object, ...]] = {
    "line-settings, all": ("line-settings", *PORT, "--all", "--to", "9600-8E1", "--yes"),
    "line-settings, one": ("line-settings", *PORT, *ONE_UNIT, "--to", "9600-8E1", "--yes"),
    "readdress-all": ("readdress-all", *PORT, "--first", 10, "--yes"),
    "readdress-all, shown": ("readdress-all", *PORT, "--set", "11=12", "--dry-run"),
    "undo": ("undo", *PORT, "--write", 1, "--yes"),
    "recover": ("recover", *PORT, "--yes"),
    "prove": ("prove", *PORT, "--rounds", 1),
    "handover": ("handover", "--out", "papers"),
    "journal": ("journal",),
}


@pytest.mark.parametrize("name", NEED_A_JOB)
def test_a_command_that_needs_a_job_begins_none(
    command: Command, tmp_path: Path, name: str
) -> None:
    job_file = tmp_path / "new" / "plnat.busjob"
    ran = command(*NEED_A_JOB[name], "--job", job_file)
    assert ran.code == ExitCode.USAGE
    assert f"There is no such job: {job_file}." in ran.err
    assert not job_file.parent.exists()


def test_todays_job_is_not_begun_for_a_whole_bus(command: Command, tmp_path: Path) -> None:
    """Its list would be empty, and 'all moves are done' would be said of nothing."""
    ran = command("line-settings", *PORT, "--all", "--to", "9600-8E1", "--yes")
    assert (ran.code, "There is no such job" in ran.err) == (ExitCode.USAGE, True)
    assert not [*tmp_path.rglob("*.busjob")]


def test_a_plan_is_not_kept_in_a_job_that_is_not_there(command: Command, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("tag,location,profile,address,settings\nA,,,12,9600-8N1\n", encoding="utf-8")
    job_file = tmp_path / "plnat.busjob"
    ran = command("readdress-all", *PORT, "--job", job_file, "--plan", plan, "--yes")
    assert (ran.code, job_file.exists()) == (ExitCode.USAGE, False)


@pytest.mark.parametrize(
    "given",
    [
        ("identify", *PORT, *ONE_UNIT),
        ("survey", *PORT, "--settings", "9600-8N1", "--addresses", "11"),
        ("readdress", *PORT, "--settings", "9600-8N1", "--from", 11, "--to", 13, "--yes"),
        ("listen", *PORT, "--seconds", 1),
    ],
)
def test_a_command_that_begins_a_job_says_so_once(
    command: Command, tmp_path: Path, given: tuple[object, ...]
) -> None:
    job_file = tmp_path / "new.busjob"
    assert f"A new job was begun: {job_file}" in command(*given, "--job", job_file).err
    assert "A new job" not in command(*given, "--job", job_file).err


def test_an_existing_job_is_taken(command: Command, tmp_path: Path) -> None:
    job_file = tmp_path / "plant.busjob"
    Job.create(job_file).close()
    ran = command("readdress-all", *PORT, "--job", job_file, "--first", 10, "--yes")
    assert ran.code == ExitCode.DONE, ran.err

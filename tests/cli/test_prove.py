"""The endurance run by command: advice, polling table, how often values are wanted, going on after
a failure."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.job import Job, UnitRecord
from busprobe.job.intervals import Intervals, kept_intervals
from busprobe.line.place import Place
from tests.cli.conftest import Command

CLEAN = ("prove", "--port", "virtual:clean")


@pytest.fixture
def job_file(tmp_path: Path) -> Path:
    path = tmp_path / "plant.busjob"
    with Job.create(path) as job:
        job.put_unit(UnitRecord(Place.parse("11 9600-8N1"), profile="aldermoor-at-10"))
        job.put_unit(UnitRecord(Place.parse("21 9600-8N1"), profile="brookvale-bm-330"))
    return path


def test_the_master_is_advised_and_the_polling_table_measured(
    command: Command, job_file: Path
) -> None:
    ran = command(
        *CLEAN,
        "--job",
        job_file,
        "--rounds",
        5,
        "--pause",
        20,
        "--try-table",
        "--every",
        5,
        "--json",
    )
    assert ran.document["pause"] == 0.02
    assert ran.code == ExitCode.DONE, ran.err
    advised = {item["name"]: item["value"] for item in ran.document["advice"]}
    assert repr(advised["retries"]) == "1"  # no 1.0, which other programs may not take
    assert advised["response timeout"] >= 200
    table = ran.document["polling"]
    assert {row["every_s"] for row in table["rows"]} == {5.0}
    assert table["measured_cycle_ms"] == pytest.approx(table["cycle_ms"], rel=0.05)
    said = command(*CLEAN, "--job", job_file, "--rounds", 5)
    assert "response timeout" in said.out
    assert "ms measured" in said.out
    assert "Computed at other baud rates: 1200:" in said.out
    assert "Values are wanted every 5 s." in said.out


def test_a_table_that_cannot_be_tried_does_not_hide_the_run_before_it(
    command: Command, tmp_path: Path
) -> None:
    """Nobody knows the unit's points: that is said, after the counts, and the run is not called cut
    off."""
    path = tmp_path / "new.busjob"
    with Job.create(path) as job:
        job.put_unit(UnitRecord(Place.parse("11 9600-8N1")))
    ran = command(*CLEAN, "--job", path, "--rounds", 5, "--try-table", "--json")
    assert ran.code == ExitCode.REFUSED
    assert "Identify the units first" in ran.err
    assert "--go-on" not in ran.err
    assert (ran.document["rounds"], ran.document["complete"]) == (5, True)


def test_how_often_values_are_wanted_is_kept_and_mistakes_are_said(
    command: Command, job_file: Path
) -> None:
    point = "aldermoor-at-10/Temperature"
    assert (
        command(
            *CLEAN, "--job", job_file, "--rounds", 1, "--every", 30, "--every", f"{point}=0.5"
        ).code
        == ExitCode.DONE
    )
    with Job.open(job_file) as job:
        assert kept_intervals(job) == Intervals(30.0, {("aldermoor-at-10", "Temperature"): 0.5})
    for wrong, words in (
        ("often", "'often' is no interval."),
        (f"{point}=0", "'0' is no interval."),
        ("aldermoor-at-10/Colour=1", "Its points are: Temperature, Humidity."),
        ("nothing=1", "Write TYPE/POINT=SECONDS"),
    ):
        ran = command(*CLEAN, "--job", job_file, "--rounds", 1, "--every", wrong)
        assert ran.code == ExitCode.USAGE
        assert words in ran.err


def test_a_run_whose_adapter_was_pulled_goes_on_with_its_counts(
    command: Command, job_file: Path, tmp_path: Path
) -> None:
    """Exit code 3 and everything counted is there; the next command goes on to where the first was
    to end."""
    pulled = tmp_path / "pulled.toml"
    unit = '[[units]]\nname = "a"\ntype = "at-10"\naddress = 11\n'
    pulled.write_text(f'title = "Pulled"\n[adapter]\nunplugged_at = 4.0\n{unit}', encoding="utf-8")
    with Job.open(job_file) as job:
        job.remove_unit(Place.parse("21 9600-8N1"))
    first = command(
        "prove", "--port", f"virtual:{pulled}", "--job", job_file, "--rounds", 300, "--json"
    )
    assert first.code == ExitCode.PORT_FAILED
    assert "go on with --go-on" in first.err
    counted = first.document["polls"]
    assert 0 < counted < 300
    again = command(*CLEAN, "--job", job_file, "--go-on", "--json")
    assert again.code == ExitCode.DONE, again.err
    assert (again.document["rounds"], again.document["complete"]) == (300, True)
    assert again.document["polls"] >= 300
    with Job.open(job_file) as job:
        assert len(job.records("prove")) == 1

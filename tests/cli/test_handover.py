"""The papers and the comparison by commands: files, documents, exit codes."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from busprobe.handover.files import EXPORTERS
from busprobe.job import Job, UnitRecord
from busprobe.job.plan import PlannedUnit, keep_plan
from busprobe.line.place import Place
from tests.cli.conftest import Command
from tests.handover.site import clean_site

SETTINGS = "9600-8N1"
SURVEY = {"port": "COM7", "settings": [SETTINGS], "addresses": "1-247"}
PUMP = UnitRecord(
    Place.parse(f"12 {SETTINGS}"),
    tag="P-12",
    identity={"vendor": "Garnet", "product": "GS-1", "revision": "1.4"},
    seen="1",
)
FAN = UnitRecord(Place.parse(f"13 {SETTINGS}"), tag="F-13", seen="1")


def make(path: Path, *units: UnitRecord, plan: tuple[PlannedUnit, ...] = ()) -> Path:
    with Job.create(path, site="Mill Lane", segment="Hall 2") as job:
        survey = job.begin_survey(SURVEY)
        found = [
            {"address": unit.address, "settings": str(unit.settings), "kind": unit.kind}
            for unit in units
        ]
        job.end_survey(survey, {**SURVEY, "complete": True, "line": {}, "findings": found})
        for unit in units:
            job.put_unit(unit)
        if plan:
            keep_plan(job, plan)
    return path


@pytest.fixture
def spring(tmp_path: Path) -> Path:
    return make(tmp_path / "spring.busjob", PUMP, FAN)


def test_every_format_is_written_unless_some_are_named(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    ran = command("handover", "--job", spring, "--out", tmp_path / "all", "--json")
    assert ran.code == ExitCode.DONE, ran.err
    names = {Path(file).name for file in ran.document["files"]}
    assert names == {path.name for path in (tmp_path / "all").iterdir()}
    assert names >= {
        "bus-list.xlsx",
        "bus-list.html",
        "bus-list.md",
        "unit-labels.html",
        "polling-table.csv",
    }
    assert "The wiring was not measured." in ran.document["not_tested"]
    one = command("handover", "--job", spring, "--out", tmp_path / "one", "--format", "markdown")
    assert [path.name for path in (tmp_path / "one").iterdir()] == ["bus-list.md"]
    assert "bus-list.md" in one.out


def test_help_names_every_format(command: Command) -> None:
    text = command("handover", "--help").out
    assert all(f"{name} " in text for name in EXPORTERS)


def test_a_description_of_a_unit_that_moved_away_is_pointed_out(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    assert command("handover", "--job", spring, "--out", out).code == ExitCode.DONE
    with Job.open(spring) as job:
        job.move_unit(
            Place.parse(f"13 {SETTINGS}"), Place.parse(f"20 {SETTINGS}"), how_set="switch"
        )
    ran = command("handover", "--job", spring, "--out", out, "--overwrite", "--json")
    assert [Path(file).name for file in ran.document["left_over"]] == ["thing-013-9600-8N1.td.json"]
    again = command("handover", "--job", spring, "--out", out, "--overwrite", "--format", "things")
    assert "Left by an earlier hand over" in again.err
    assert "thing-013" in again.err


def test_nothing_is_replaced_unasked_and_then_nothing_is_written(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "bus-list.md").write_text("mine", encoding="utf-8")
    ran = command("handover", "--job", spring, "--out", out)
    assert ran.code == ExitCode.REFUSED
    assert "bus-list.md" in ran.err
    assert [path.name for path in out.iterdir()] == ["bus-list.md"]
    assert (out / "bus-list.md").read_text(encoding="utf-8") == "mine"


def test_papers_say_what_is_not_as_it_was_and_what_is_missing(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    autumn = make(tmp_path / "autumn.busjob", replace(PUMP, seen="2"))
    out = tmp_path / "out"
    ran = command("handover", "--job", autumn, "--out", out, "--compare-with", spring, "--json")
    assert ran.code == ExitCode.DONE, ran.err
    assert "F-13 is not on the later list" in (out / "comparison.csv").read_text(
        encoding="utf-8-sig"
    )
    assert "Location missing: 12 P-12." in ran.document["missing"]
    again = command(
        "handover", "--job", autumn, "--out", out, "--overwrite", "--format", "markdown"
    )
    assert "Gap: Location missing: 12 P-12." in again.err
    assert "Since the earlier visit" in (out / "bus-list.md").read_text(encoding="utf-8")
    spring.unlink()
    gone = command("handover", "--job", autumn, "--out", out, "--overwrite")
    assert gone.code == ExitCode.USAGE
    assert "The earlier job" in gone.err
    assert "--no-compare" in gone.err
    assert (
        command("handover", "--job", autumn, "--out", out, "--overwrite", "--no-compare").code
        == ExitCode.DONE
    )
    assert "Since the earlier visit" not in (out / "bus-list.md").read_text(encoding="utf-8")


def test_the_same_visit_does_not_differ(command: Command, spring: Path, tmp_path: Path) -> None:
    autumn = make(tmp_path / "autumn.busjob", replace(PUMP, seen="2"), replace(FAN, seen="2"))
    ran = command("compare", spring, autumn, "--json")
    assert (ran.code, ran.document["differences"], ran.document["plan"]) == (
        ExitCode.DONE,
        [],
        None,
    )
    assert ran.document["format"] == "busprobe.comparison/1"
    said = command("compare", spring, autumn)
    assert "Nothing that was compared differs." in said.out
    assert "No plan is kept" in said.out
    assert "Not compared: Reply times" in said.err


def test_every_kind_of_difference_needs_attention(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    newer = {**PUMP.identity, "revision": "1.5"}
    moved = replace(PUMP, place=Place.parse(f"20 {SETTINGS}"), identity=newer, seen="2")
    autumn = make(
        tmp_path / "autumn.busjob", moved, UnitRecord(Place.parse(f"30 {SETTINGS}"), seen="2")
    )
    ran = command("compare", spring, autumn, "--json")
    assert ran.code == ExitCode.ATTENTION
    found = [
        (one["kind"], one["address_before"], one["address_now"])
        for one in ran.document["differences"]
    ]
    assert found == [
        ("moved", 12, 20),
        ("firmware", 12, 20),
        ("missing", 13, None),
        ("extra", None, 30),
    ]
    assert "Unit 12 (0x0C) 9600-8N1 P-12 had revision 1.4 and has 1.5 now." in [
        one["words"] for one in ran.document["differences"]
    ]
    assert "firmware" in command("compare", spring, autumn).out


@pytest.mark.parametrize("keeper", ["spring", "autumn"])
def test_the_plan_of_either_job_is_held_against_the_later_list(
    command: Command, tmp_path: Path, keeper: str
) -> None:
    plan = (PlannedUnit("P-12", 12), PlannedUnit("F-13", 13), PlannedUnit("V-14", 14))
    jobs = [
        make(tmp_path / f"{name}.busjob", PUMP, FAN, plan=plan if name == keeper else ())
        for name in ("spring", "autumn")
    ]
    ran = command("compare", *jobs, "--json")
    assert ran.code == ExitCode.ATTENTION
    assert ran.document["plan"] == ["Planned and not found: V-14 at 14 (0x0E)."]
    assert "V-14" in command("compare", *jobs).out


def test_neither_job_is_changed_by_comparing(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    autumn = Path(shutil.copy(spring, tmp_path / "autumn.busjob"))
    before = spring.read_bytes(), autumn.read_bytes()
    command("compare", spring, autumn)
    assert (spring.read_bytes(), autumn.read_bytes()) == before


def broken(path: Path) -> Path:
    path.write_text(json.dumps({"no": "job"}), encoding="utf-8")
    return path


def absent(path: Path) -> Path:
    return path


@pytest.mark.parametrize("made", [broken, absent])
def test_a_file_that_is_no_job_is_named(
    command: Command, spring: Path, tmp_path: Path, made: Callable[[Path], Path]
) -> None:
    ran = command("compare", spring, made(tmp_path / "other.busjob"))
    assert ran.code == ExitCode.USAGE
    assert "other.busjob" in ran.err


def test_circuits_filled_in_in_a_spreadsheet_are_noted_and_stand_in_the_papers(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    """A file with a mistake changes nothing; the papers that come back are a form for the next
    visit."""
    filled = tmp_path / "filled.csv"
    filled.write_text("Address;Channel;CT no.;Load\n12;Main;=7;chiller\n14;Main;8;\n")
    wrong = command("handover", "--job", spring, "--out", tmp_path / "a", "--circuits", filled)
    assert wrong.code == ExitCode.USAGE
    assert "line 3, address: no unit is listed at 14 (0x0E)" in wrong.err
    assert not (tmp_path / "a").exists()
    filled.write_text("Address;Channel;CT no.;Load\n12;Main;=7;chiller\n")
    ran = command(
        "handover",
        "--job",
        spring,
        "--out",
        tmp_path / "a",
        "--format",
        "csv",
        "--circuits",
        filled,
    )
    assert "1 channel of meters taken" in ran.err
    written = (tmp_path / "a" / "circuits.csv").read_text(encoding="utf-8-sig")
    assert (
        "12,0x0C,9600-8N1,P-12,Main,'=7,not noted,not noted,not noted,not noted,chiller,not noted,"
        in written
    )
    again = command(
        "handover",
        "--job",
        spring,
        "--out",
        tmp_path / "b",
        "--format",
        "csv",
        "--circuits",
        tmp_path / "a/circuits.csv",
    )
    assert again.code == ExitCode.DONE, again.err
    assert (tmp_path / "b" / "circuits.csv").read_text(encoding="utf-8-sig") == written


def test_a_template_and_records_of_ones_own_are_written_and_checked(
    command: Command, tmp_path: Path
) -> None:
    with clean_site(tmp_path) as session:
        job = session.job.path
    examples, out = tmp_path / "examples", tmp_path / "out"
    assert command("templates", "--out", examples).code == ExitCode.DONE
    into = tmp_path / "list.bin"
    into.write_bytes(bytes(4096))
    own = ("--template", examples / "points.csv.j2", "--template", examples / "master.md.j2")
    records = ("--records", examples / "records.toml", "--into", into)
    ran = command("handover", "--job", job, "--out", out, *own, *records)
    assert {path.name for path in out.iterdir()} == {"points.csv", "master.md", "list.bin"}
    assert "00000040  A5 0B 04 00 00 01 00 02 10 27 00 00" in ran.out
    assert "was read back: the records are as shown, and nothing else differs" in ran.out
    assert into.read_bytes() == bytes(4096)
    document = command(
        *("handover", "--job", job, "--out", tmp_path / "more", "--json", *records),
        *("--format", "json"),
    ).document
    assert [Path(file).name for file in document["files"]] == ["bus-list.json", "list.bin"]
    written = (tmp_path / "more/list.bin").read_bytes()
    for record in document["records"]:
        data = bytes.fromhex(record["bytes"])
        assert written[record["offset"] : record["offset"] + len(data)] == data


def test_a_copy_never_takes_the_place_of_its_file(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    template = tmp_path / "own.txt"
    template.write_text("{{ site }}")
    handover = ("handover", "--job", spring, "--overwrite", "--template", template)
    ran = command(*handover, "--out", tmp_path)
    assert ran.code == ExitCode.REFUSED
    assert template.read_text() == "{{ site }}"
    assert command(*handover, "--out", tmp_path / "out").code == ExitCode.DONE
    assert (tmp_path / "out/own.txt").read_text() == "Mill Lane"
    half = command("handover", "--job", spring, "--out", tmp_path / "x", "--into", template)
    assert half.code == ExitCode.USAGE


def test_a_bad_template_is_told_with_its_line_and_nothing_is_written(
    command: Command, spring: Path, tmp_path: Path
) -> None:
    template = tmp_path / "own.txt"
    template.write_text("a\n{{ sight }}")
    ran = command(
        "handover", "--job", spring, "--out", tmp_path / "out", "--template", template, "--json"
    )
    assert ran.code == ExitCode.USAGE
    assert "line 2: 'sight' is undefined" in ran.document["what"]
    assert not (tmp_path / "out").exists()

"""``busprobe play-master``: by the sheet as it is handed over, as it was edited, and beside another
master."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from busprobe.errors import ExitCode
from tests.cli.conftest import Command
from tests.handover.site import CLEAN, clean_site


@pytest.fixture
def sheets(tmp_path: Path) -> Path:
    """The documents for a master, of a segment whose table was tried."""
    with clean_site(tmp_path) as session:
        list(session.try_polling(1))
        session.hand_over(tmp_path / "out", ["polling"])
    return tmp_path / "out"


@pytest.mark.parametrize("name", ["master-points.csv", "polling-table.csv"])
def test_the_sheets_of_the_documents_are_played_as_they_are(
    command: Command, sheets: Path, name: str
) -> None:
    ran = command(
        *("play-master", "--port", "virtual:clean", "--table", sheets / name),
        *("--seconds", 35, "--json"),
    )
    assert ran.code == ExitCode.DONE, ran.err
    requests = ran.document["requests"]
    polled = [one for one in requests if one["every_s"]]
    assert {one["address"] for one in requests} == set(CLEAN)
    for one in polled:
        assert (one["asked"], one["missed"], one["skipped"]) == (4, 0, 0)
        assert one["cycle_median_ms"] == pytest.approx(10_000, abs=100)
    values = [point["value"] for one in requests for point in one["points"]]
    assert all(values)
    if name == "master-points.csv":
        assert "312" in values and "measuring" in values
        assert any(value.endswith(" °C") for value in values)


def test_an_edited_table_is_played_at_its_own_intervals(
    command: Command, sheets: Path, tmp_path: Path
) -> None:
    with (sheets / "master-points.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    mine = tmp_path / "mine.csv"
    with mine.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=";")
        writer.writeheader()
        for row in rows:
            if row["Tag"] == "TE-101":
                writer.writerow({**row, "Request hex": "", "Every s": "0,5"})
    ran = command(
        "play-master", "--port", "virtual:clean", "--table", mine, "--seconds", 5, "--json"
    )
    requests = ran.document["requests"]
    assert [(one["request"], one["asked"]) for one in requests] == [
        ("0B 04 00 01 00 01 60 A0", 10),
        ("0B 04 00 02 00 01 90 A0", 10),
    ]
    for one in requests:  # the second follows the reply to the first, which jitters
        assert one["cycle_median_ms"] == pytest.approx(500, abs=5)


def test_a_missing_unit_needs_attention(command: Command, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("address,function,register,registers,every s\n99,3,0,1,1\n")
    play = ("play-master", "--port", "virtual:clean", "--table", table, "--seconds", 3)
    assert command(*play).code == ExitCode.USAGE, "no line settings are known"
    ran = command(*play, "--settings", "9600-8N1")
    assert ran.code == ExitCode.ATTENTION
    assert "99 (0x63), 0 by function 3: no reply within" in ran.err
    assert "1 without a valid reply" in ran.out or "2 without a valid reply" in ran.out


def test_it_does_not_talk_into_another_master(command: Command, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text(
        "address,line settings,function,register,registers,every s\n11,9600-8N1,4,1,1,1"
    )
    play = ("play-master", "--port", "virtual:second-master", "--table", table)
    more = ("--seconds", 3, "--settings", "9600-8N1")
    assert command(*play, *more).code == ExitCode.REFUSED
    assert command(*play, *more, "--despite-master").code in (ExitCode.DONE, ExitCode.ATTENTION)

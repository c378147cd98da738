"""A job file of version 8, in which what the plan says was put into the entries of units: opened
now, all that it said is there, and what may be the plan's is called planned.

The file was made by the program of its time (commit e37293d) on the virtual segment "procedures": a
plan of four units, of which three were moved and one was not accepted, a location, a label and a
serial number noted by hand, and an endurance run.  Beside it lies what that program listed.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.job.job import Job
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.session import Session

KEPT = Path(__file__).parents[1] / "job" / "kept"
SAID = json.loads((KEPT / "v8.json").read_text(encoding="utf-8"))


@pytest.fixture
def bus_list(tmp_path: Path) -> Iterator[BusList]:
    copy = tmp_path / "kept.busjob"
    shutil.copyfile(KEPT / "v8.busjob", copy)
    with Job.open(copy) as job:
        yield Session(job, load_all([shipped_folder()])).bus_list()


@pytest.fixture
def now(bus_list: BusList) -> dict[int, UnitRow]:
    return {row.address: row for row in bus_list.units}


def test_all_that_was_listed_is_listed_still(now: dict[int, UnitRow]) -> None:
    for then in SAID["units"]:
        row: Any = now[then["address"]]
        assert {name: getattr(row, name) for name in then if name != "plan"} == {
            name: value for name, value in then.items() if name != "plan"
        }


def test_what_may_be_the_plans_is_planned_and_what_was_noted_is_not(
    now: dict[int, UnitRow],
) -> None:
    assert now[21].planned == ("tag", "location", "position", "distance_m", "terminator")
    assert now[2].planned == ("tag", "position", "distance_m")
    assert (now[2].location, now[2].label_fitted, now[2].serial) == ("Roof, duct 3", True, "77-2")
    assert (now[5].planned, now[5].confirmed) == ((), None)
    assert {then["plan"] for then in SAID["units"] if then["tag"]} == {"as planned"}
    assert now[31].plan == "not complete: tag not confirmed"


def test_when_values_were_read_is_not_known_and_so_not_said(bus_list: BusList) -> None:
    read = [point for point in bus_list.points if point.registers is not None]
    assert read
    assert {point.read for point in read} == {None}


def test_what_a_unit_said_where_it_was_found_is_known_only_of_units_never_moved(
    now: dict[int, UnitRow],
) -> None:
    assert (now[21].found_identity, now[21].identity) == ("", "HP-4 relay")
    assert now[5].found_identity == now[5].identity != ""

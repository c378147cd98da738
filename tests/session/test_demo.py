"""The whole job without a screen: only true when the list is what is really on the segment."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from busprobe.errors import RefusedError
from busprobe.line.clock import VirtualClock
from busprobe.session.demo import compare, run_unattended
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment


def test_the_whole_job_ends_with_a_true_list(tmp_path: Path) -> None:
    """A clash and four line settings: seven units, each at an address of its own."""
    said: list[str] = []
    assert run_unattended(tmp_path, said.append)
    document = json.loads((tmp_path / "bus-list.json").read_text(encoding="utf-8"))
    units = [row for row in document["units"] if row["state"] == "unit"]
    assert len(units) == 7
    assert len({(row["address"], row["settings"]) for row in units}) == 7
    assert 1 not in {row["address"] for row in units}, "the factory address is left free"
    assert any("clash" in line for line in said)
    assert said[-1] == "The bus is as listed."
    moved = [row for row in units if row["previous_address"] is not None]
    assert moved
    assert all(row["power_cycle_verified"] is True for row in moved)
    (cycle,) = [line for line in said if "Polling table" in line]
    computed, measured = (
        float(ms) for ms in re.findall(r"([\d.]+) ms (?:computed|measured)", cycle)
    )
    assert measured == pytest.approx(computed, rel=0.05)
    assert "no poll failed" in cycle


def test_files_of_an_earlier_demo_are_not_replaced_unasked(tmp_path: Path) -> None:
    (tmp_path / "site.busjob").write_text("mine", encoding="utf-8")
    with pytest.raises(RefusedError):
        run_unattended(tmp_path, print)
    assert (tmp_path / "site.busjob").read_text(encoding="utf-8") == "mine"


def listed(folder: Path, rows: list[dict[str, object]]) -> Path:
    path = folder / "bus-list.json"
    path.write_text(json.dumps({"units": rows}), encoding="utf-8")
    return path


def test_every_difference_between_list_and_segment_is_found(tmp_path: Path) -> None:
    """What the demo's verdict rests on: missing, extra, shared and mistaken units all count."""
    segment = Segment(load_scenario("clash"), VirtualClock())
    shared = {
        unit.address
        for unit in segment.units
        if sum(u.address == unit.address for u in segment.units) > 1
    }
    alone = [unit for unit in segment.units if unit.address not in shared]
    rows: list[dict[str, object]] = [
        {
            "address": unit.address,
            "settings": str(unit.settings),
            "state": "unit",
            "model": unit.kind.model,
        }
        for unit in alone
    ]
    assert len(list(compare(listed(tmp_path, rows), segment))) == len(shared)
    first = next(unit for unit in segment.units if unit.address in shared)
    clash = {
        "address": first.address,
        "settings": str(first.settings),
        "state": "unit",
        "model": first.kind.model,
    }
    assert len(list(compare(listed(tmp_path, [*rows, clash]), segment))) == len(shared)
    ghost = {"address": 200, "settings": "9600-8N1", "state": "unit", "model": ""}
    assert len(list(compare(listed(tmp_path, [*rows, ghost]), segment))) == len(shared) + 1
    rows[0]["model"] = "something else"
    assert len(list(compare(listed(tmp_path, rows), segment))) == len(shared) + 1

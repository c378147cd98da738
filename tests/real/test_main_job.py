"""The main job on units that nobody here wrote, by the installed command."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.real.pymodbus_units import served

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="pseudo-terminals are a POSIX thing"
)


def busprobe(*arguments: str) -> tuple[int, Any, str]:
    """Run the command; its exit code, its JSON document if it printed one, and what it said."""
    command = [sys.executable, "-m", "busprobe", *arguments]
    result = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    document = json.loads(result.stdout) if result.stdout.startswith("{") else None
    return result.returncode, document, result.stdout + result.stderr


def test_from_an_unknown_pair_to_a_bus_list(tmp_path: Path) -> None:
    """Two meters served by pymodbus are surveyed, identified, one is readdressed, and the list is
    what is there."""
    job, out = str(tmp_path / "plant.busjob"), tmp_path / "handover"
    with served((1, 7)) as (units, port):
        code, document, said = busprobe(
            "survey",
            "--port",
            port,
            "--settings",
            "9600-8N1",
            "--addresses",
            "1,3,7",
            "--job",
            job,
            "--json",
        )
        assert code == 0, said
        assert document["format"] == "busprobe.survey/1"
        assert document["complete"] is True
        assert [(f["address"], f["kind"]) for f in document["findings"]] == [
            (1, "unit"),
            (7, "unit"),
        ]

        for address in ("1", "7"):
            code, document, said = busprobe(
                "identify",
                "--port",
                port,
                "--settings",
                "9600-8N1",
                "--address",
                address,
                "--job",
                job,
                "--json",
            )
            assert code == 0, said
            assert document["profile"] == "brookvale-bm-330"
            values = {reading["name"]: reading["value"] for reading in document["readings"]}
            assert values["Voltage L1"] == pytest.approx(230.4)  # as the server was given it

        code, document, said = busprobe(
            *("readdress", "--port", port, "--settings", "9600-8N1", "--from", "7", "--to", "12"),
            *("--profile", "brookvale-bm-330", "--yes", "--job", job, "--json"),
        )
        assert code == 0, said
        assert document["outcome"] == "verified"
        assert units.homes == {1: 1, 12: 2}
        assert units.writes == [(2, [12])], "one write, and no other"

    code, document, said = busprobe("handover", "--job", job, "--out", str(out), "--json")
    assert code == 0, said
    with (out / "bus-list.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["State"] == "unit"]
    assert [(row["Address"], row["Model"], row["Previous address"]) for row in rows] == [
        ("1", "BM-330", ""),
        ("12", "BM-330", "7"),
    ]

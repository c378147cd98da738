"""A job file survives kill -9 at any moment: everything whose call had returned is there."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from busprobe.job import Job, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings

WRITER = """
import sys
from pathlib import Path
from busprobe.job import Job, UnitRecord
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import RegisterWrite

path, start = Path(sys.argv[1]), int(sys.argv[2])
job = Job.open_or_create(path)
survey = job.begin_survey({"addresses": "1-247"})

def returned(*words):
    sys.stdout.write(" ".join(map(str, words)) + "\\n")
    sys.stdout.flush()

returned("survey", survey)
for n in range(start, 1000000):
    evidence = ["00"] * (n % 7 * 100)
    job.add_finding(survey, {"address": n, "settings": "9600-8N1", "evidence": evidence})
    returned("finding", n)
    first = Place(1, LineSettings())
    there = Place(2 + n % 246, LineSettings(1000 + n // 246))
    write = job.intend_write(WriteIntent(role=Role.ADDRESS, source=first, target=there,
                             write=RegisterWrite(257, (there.address,)),
                             request=n.to_bytes(4), words="x" * (n % 5 * 1000)))
    returned("intent", write, n)
    job.conclude_write(write, outcome=Result.VERIFIED, reply=n.to_bytes(4), why=str(n))
    returned("conclusion", write, n)
    job.put_unit(UnitRecord(first, tag=str(n)))
    returned("unit", n)
    job.move_unit(first, there, how_set="register")
    returned("move", n)
    job.record("prove", {"n": n})
    returned("record", n)
"""

CREATOR = """
import sys
from pathlib import Path
from busprobe.job import Job

for n in range(1000000):
    Job.create(Path(sys.argv[1]) / f"{n}.job", site=str(n)).close()
    sys.stdout.write(f"{n}\\n")
    sys.stdout.flush()
"""


TURNS = 16


@dataclass
class Acknowledged:
    """What the killed programs said had returned."""

    findings: dict[int, list[int]] = field(default_factory=dict)
    survey: int = 0
    intents: dict[int, int] = field(default_factory=dict)
    concluded: set[int] = field(default_factory=set)
    units: set[int] = field(default_factory=set)
    moves: set[int] = field(default_factory=set)
    records: list[int] = field(default_factory=list)

    def take(self, line: str) -> None:
        what, *numbers = line.split()
        first = int(numbers[0])
        if what == "survey":
            self.survey = first
            self.findings[first] = []
        elif what == "finding":
            self.findings[self.survey].append(first)
        elif what == "intent":
            self.intents[first] = int(numbers[1])
        elif what == "conclusion":
            self.concluded.add(first)
        elif what == "unit":
            self.units.add(first)
        elif what == "move":
            self.moves.add(first)
        else:
            self.records.append(first)


def run_and_kill(code: str, arguments: list[str], chance: random.Random) -> list[str]:
    """Let the program run until it has reported a few times, kill it a random moment later, return
    its reports."""
    process = subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(chance.randint(1, 12))]
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(timeout=chance.uniform(0, 0.03))
    process.kill()
    rest, _ = process.communicate()
    reports = "".join(lines) + rest
    assert reports.endswith("\n"), "the program died by itself"
    return reports.splitlines()


def test_everything_acknowledged_survives_kill_9(path: Path) -> None:
    """Programs work in a row on one file and are killed; each has to open what the last one
    left."""
    chance = random.Random(20260302)  # noqa: S311 - repeatable on purpose
    acknowledged = Acknowledged()
    for turn in range(TURNS):
        for line in run_and_kill(WRITER, [str(path), str(turn * 10_000 + 2)], chance):
            acknowledged.take(line)
        check(path, acknowledged)
    assert len(acknowledged.intents) > TURNS
    assert acknowledged.moves


def check(path: Path, acknowledged: Acknowledged) -> None:
    """Compare the file with what was acknowledged, and clear the place where the next program puts
    its units."""
    with Job.open(path) as job:
        survey = job.latest_survey()
        assert survey is not None
        assert survey.id == acknowledged.survey
        assert not survey.complete
        assert whole(
            acknowledged.findings[survey.id], [finding["address"] for finding in survey.findings]
        )
        assert whole(
            acknowledged.records, [record.document["n"] for record in job.records("prove")]
        )

        writes = {write.id: write for write in job.writes()}
        assert list(writes) == list(range(1, len(writes) + 1)), "the journal has no gap"
        for number, n in acknowledged.intents.items():
            assert (move_of(writes[number].target), writes[number].request) == (n, n.to_bytes(4))
        for number in acknowledged.concluded:
            assert [conclusion.why for conclusion in writes[number].conclusions] == [
                str(move_of(writes[number].target))
            ]

        listed = [(unit.tag, move_of(unit.place)) for unit in job.units()]
        assert len(dict(listed)) == len(listed), "a move shows the unit at one place, never at both"
        for n in acknowledged.moves:
            assert dict(listed)[str(n)] == n
        for n in acknowledged.units - acknowledged.moves:
            assert dict(listed)[str(n)] in (
                None,
                n,
            ), "put, and perhaps moved when it was too late to say so"
        acknowledged.moves |= {n for _, n in listed if n is not None}
        acknowledged.units = set(acknowledged.moves)
        job.remove_unit(Place(1, LineSettings()))


def move_of(place: Place) -> int | None:
    """Which move brought a unit there; None at the address that all start from."""
    return None if place.address == 1 else (place.settings.baud - 1000) * 246 + place.address - 2


def whole(said: list[int], kept: list[int]) -> bool:
    """Whether all that was acknowledged is kept, and nothing else but what was under way at a
    kill."""
    return [n for n in kept if n in said] == said and len(kept) <= len(said) + TURNS


def test_a_job_killed_while_being_made_is_whole_or_not_there(tmp_path: Path) -> None:
    chance = random.Random(7)  # noqa: S311 - repeatable on purpose
    for turn in range(4):
        folder = tmp_path / str(turn)
        folder.mkdir()
        made = run_and_kill(CREATOR, [str(folder)], chance)
        there = sorted(folder.glob("[0-9]*.job"), key=lambda entry: int(entry.stem))
        assert len(made) <= len(there) <= len(made) + 1
        for entry in there:
            with Job.open(entry) as job:
                assert job.meta.site == entry.stem
                job.put_unit(UnitRecord(Place.parse("1 9600-8N1")))
        assert json.loads(made[-1]) == len(made) - 1

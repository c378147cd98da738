"""Job files of earlier versions mean the same after they were brought up to date.

Each file was made by the program of its time (commits 8c3a718, 2b2a2a7, bf6ad33 and a470860) on a
virtual segment: a clash, verified moves, one proven by a power cycle and one lost by it, one that
waits for a power cycle, one refused by the unit, an unlock that was not acknowledged, a change of
line settings, an undo, a procedure cut off between address and save and recovered, and a write of
which nobody noted what became.  Beside the first three lies what the program at bf6ad33 said of
them, the last one that decided by the words of the journal; and where the program that made it said
less, that too.  The fourth has a swap by way of a waiting address, a mind changed before the power
cycle, and a unit lost right after its write; beside it lies what the program that made it said.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from busprobe.errors import BusprobeError
from busprobe.handover.rows import journal_row
from busprobe.job.job import Job
from busprobe.job.journal import Role, WriteRecord
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.claims import claims
from busprobe.readdress.journal import latest_move
from busprobe.readdress.procedure import Move
from busprobe.readdress.undo import move_to_undo
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.survey.kept_survey import KeptSurvey

KEPT = Path(__file__).parents[1] / "job" / "kept"


class Kept:
    """A kept file opened by the program of today, and what was said of it."""

    def __init__(self, job: Job, said: Any) -> None:
        self.job = job
        self.said = said
        self.session = Session(job, load_all([shipped_folder()]))
        self.moves = BusMoves(self.session)


@pytest.fixture(params=["v1", "v2", "v3", "v4"])
def kept(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Kept]:
    copy = tmp_path / "kept.busjob"
    shutil.copyfile(KEPT / f"{request.param}.busjob", copy)
    said = json.loads((KEPT / f"{request.param}.json").read_text(encoding="utf-8"))
    with Job.open(copy) as job:
        yield Kept(job, said)


def places(move: Move) -> list[str]:
    return [str(move.source), str(move.target)]


def as_json(value: object) -> Any:
    return json.loads(json.dumps(value))


def test_every_write_has_the_outcomes_it_had(kept: Kept) -> None:
    now = {
        str(write.id): [conclusion.outcome for conclusion in write.conclusions]
        for write in kept.job.writes()
    }
    assert as_json(now) == kept.said["outcomes"]


def test_the_same_is_to_be_recovered_finished_and_proven(kept: Kept) -> None:
    assert [write.id for write in kept.moves.unfinished()] == kept.said["recover"]
    open_now = [
        {
            "write": left.write,
            "move": places(left.move),
            "place": str(left.place),
            "words": left.words,
            "frames": [step.request.frame.hex(" ") for step in left.steps],
        }
        for left in kept.moves.unfinished_steps()
    ]
    assert open_now == kept.said["open"]
    unproven = [
        {
            "write": outcome.write,
            "move": places(outcome.move),
            "result": str(outcome.result),
            "register": outcome.move.procedure.register,
            "function": int(outcome.move.procedure.function),
        }
        for outcome in kept.moves.unproven()
    ]
    said = sorted(kept.said["unproven"], key=lambda each: each["write"])
    assert [each for each in unproven if each in said] == said
    # Programs up to version 4 forgot what a write without a certain end may still do.
    claimed = {claim.write.id for claim in claims(kept.job.writes())}
    assert {each["write"] for each in unproven if each not in said} <= claimed


def test_the_latest_move_of_each_unit_is_the_same(kept: Kept) -> None:
    writes = kept.job.writes()
    latest = {str(unit.place): latest_move(unit, writes) for unit in kept.job.units()}
    assert {place: write and write.id for place, write in latest.items()} == kept.said["latest"]


def test_what_can_be_undone_and_why_not_is_the_same(kept: Kept) -> None:
    writes = kept.job.writes()

    def undone(write: WriteRecord) -> list[str] | str:
        try:
            return places(move_to_undo(writes, write.id)[1])
        except BusprobeError as error:
            return str(error)

    assert {str(write.id): undone(write) for write in writes} == kept.said["undo"]


def test_journal_and_bus_list_say_the_same(kept: Kept) -> None:
    units = kept.job.units()
    rows = as_json([asdict(journal_row(write, units)) for write in kept.job.writes()])
    for told in (kept.said["journal"], kept.said.get("journal then", [])):
        for then, now in zip(told, rows, strict=bool(told)):
            assert {key: now[key] for key in then} == then
    bus_list = kept.session.bus_list()
    assert list(bus_list.attention) == kept.said["attention"]
    listed = {f"{row.address} {row.settings}": as_json(asdict(row)) for row in bus_list.units}
    # Up to version 4, where a unit had been put aside was taken for its previous address.
    waited_at = {write.target.address for write in kept.job.writes() if write.role is Role.ASIDE}
    found_at = {str(unit.place): unit.found_at for unit in units}
    for then in kept.said["units"]:
        now = listed[f"{then['address']} {then['settings']}"]
        expected = {key: value for key, value in then.items() if key != "number"}
        if then["previous_address"] in waited_at:
            expected["previous_address"] = found_at[f"{then['address']} {then['settings']}"].address
        assert {key: now[key] for key in expected} == expected
    assert len(listed) == len(kept.said["units"])


@pytest.mark.parametrize("kept", ["v1", "v2", "v3"], indirect=True)
def test_what_the_next_identification_replaces_is_told_from_other_notes(kept: Kept) -> None:
    units = {unit.address: unit for unit in kept.job.units()}
    assert units[44].not_recognised.startswith("No stored profile fits well enough")
    assert units[44].not_recognised not in units[44].notes
    (difference,) = units[22].differences
    assert difference.startswith("It answers at 19200-8N1")
    (other,) = units[22].notes
    assert "line settings changed from 9600-8N1" in other
    assert (units[40].not_recognised, units[40].differences) == ("", ())
    assert len(units[40].notes) == 2


def test_the_survey_is_read_as_its_document_has_it(kept: Kept) -> None:
    record = kept.job.latest_survey()
    assert record is not None
    survey = KeptSurvey.of(record)
    found = [(f"{each['address']} {each['settings']}", each["kind"]) for each in record.findings]
    assert [(str(each.place), each.kind) for each in survey.findings] == found
    assert found
    assert survey.complete
    assert all(survey.asked_at[settings] for settings in survey.settings)

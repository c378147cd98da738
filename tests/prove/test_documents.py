"""Proofs and trials of a polling table as the program of before kept them in a job."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.modbus.replies import Verdict
from busprobe.profiles.read_requests import Block
from busprobe.prove.documents import kept_trial, proof_document, stored_proof
from tests.prove.bench import SETTINGS

KEPT = Path(__file__).parent / "kept" / "proof-1.json"
"""Made by the program at commit bf6ad33: four units, one of them silent twice, one late once and
answered for by another, one that refuses what it is asked, one after a stray byte."""

KEPT_TRIAL = KEPT.with_name("polling-1.json")
"""Made by the same program in the unattended demo: one range was refused, 20 cycles were clean."""


def kept() -> Any:
    return json.loads(KEPT.read_text(encoding="utf-8"))


def test_a_proof_kept_by_an_earlier_program_is_read_as_it_was() -> None:
    proof = stored_proof(kept())
    one, two, three, four = proof.units
    assert [unit.place for unit in proof.units] == [Place(n, SETTINGS) for n in (1, 2, 3, 4)]
    assert one.verdicts == {Verdict.OK: 11, Verdict.OK_AFTER_STRAY_BYTES: 1}
    assert two.count(PollResult.SILENT) == 2
    assert (three.late, three.latest_ms, three.count(PollResult.FOREIGN)) == (1, 1220.5, 1)
    assert four.exceptions == {2: 9}
    assert (proof.rounds, proof.polls, proof.failed, proof.asked_rounds) == (12, 48, 8, 12)
    assert [len(unit.evidence) for unit in proof.units] == [0, 2, 3, 3]


def test_what_an_earlier_program_said_of_it_is_said_still_but_for_the_words() -> None:
    before, now = kept(), json.loads(json.dumps(proof_document(stored_proof(kept()))))
    for told in (before, now):
        told["sentences"] = len(told.pop("findings"))
        for unit in told["units"]:
            del unit["words"]
            unit["place"] = f"{unit['address']} {unit['settings']}"
    assert now.pop("host_delays")["count"] == 0, "nobody measured them then"
    assert now == before


def test_a_run_kept_before_it_was_counted_when_polls_fail_is_read_without_that() -> None:
    document = kept()
    del document["asked_rounds"], document["asked_seconds"]
    for unit in document["units"]:
        del unit["failures_over_time"]
    proof = stored_proof(document)
    assert proof.asked_rounds is None
    assert [sum(unit.failures_over_time.counts.values()) for unit in proof.units] == [0] * 4
    assert proof.failed == 8


def test_a_trial_kept_by_an_earlier_program_is_read_as_it_was() -> None:
    document = json.loads(KEPT_TRIAL.read_text(encoding="utf-8"))
    trial = kept_trial("2026-11-28T09:20:10.241Z", document)
    assert trial is not None
    assert trial.refused == ((Place.parse("21 9600-8E1"), Block(4, 54, 18)),)
    assert trial.given == ()
    assert len(trial.requests) == len(document["rows"]) == 11
    assert (trial.cycles, trial.polls, trial.failed) == (20, 220, 0)
    assert trial.cycle_s == 0.46330000000000005
    assert kept_trial("", {**document, "format": "busprobe.polling/9"}) is None


@pytest.mark.parametrize("changes", [{"host_delay_s": [[]]}, {"cycle_s": "1,5"}, {"polls": None}])
def test_a_damaged_trial_is_damage(changes: dict[str, object]) -> None:
    document = json.loads(KEPT_TRIAL.read_text(encoding="utf-8"))
    with pytest.raises(ValueError, match=next(iter(changes))):
        kept_trial("2026-11-28T09:20:10.241Z", {**document, **changes})


def test_replies_without_polls_are_damage() -> None:
    document = kept()
    document["units"][0] |= {"verdicts": {}, "late": 0}
    with pytest.raises(ValueError, match="has replies and no polls"):
        stored_proof(document)

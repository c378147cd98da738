"""The record of the step says what was skipped."""

from __future__ import annotations

import json
from typing import Any

from busprobe.wiring.calculations import loads
from busprobe.wiring.causes import Cause, observed
from busprobe.wiring.meter import Level, Measurement
from busprobe.wiring.record import read_record, wiring_document
from busprobe.wiring.resistance import judge_resistance
from busprobe.wiring.voltage import judge_idle
from busprobe.wiring.wire_names import Labels


def test_measured_judged_and_skipped_are_kept_apart() -> None:
    """One reading made, one skipped by hand, two never tried: only the first has a verdict."""
    observation = observed(
        "Bytes came with nobody asked.", Cause.MISSING_BIAS, Cause.NOISE, Cause.MISSING_BIAS
    )
    document = wiring_document(
        [judge_resistance(61.0), judge_idle(None, Labels.SIGN)], [observation], listened=True
    )
    stored = json.loads(json.dumps(document))
    assert [j["measurement"] for j in stored["judgements"]] == [Measurement.RESISTANCE]
    assert stored["judgements"][0]["reading"] == "61.0 Ω"
    assert stored["skipped"] == [Measurement.IDLE, Measurement.TO_COMMON, Measurement.SUPPLY]
    assert [h["cause"] for h in stored["observations"][0]["hints"]] == [
        Cause.MISSING_BIAS,
        Cause.NOISE,
    ]
    assert stored["observations"][0]["certain"] is False


def test_not_listening_is_skipping_it() -> None:
    """No observation because nobody listened is not the same as a quiet pair."""
    assert "listening to the pair" in str(wiring_document([], [], listened=False)["skipped"])
    assert "listening to the pair" not in str(wiring_document([], [], listened=True)["skipped"])


def test_what_was_not_tried_this_time_is_carried_on() -> None:
    """Listening leaves the readings of an hour ago, measuring leaves what was heard."""
    heard = [observed("Bytes came with nobody asked.", Cause.MISSING_BIAS, Cause.NOISE)]
    first = wiring_document(
        [judge_resistance(61.0), judge_idle(0.3, Labels.SIGN)], [], listened=False
    )
    second = wiring_document([], heard, listened=True, earlier=json.loads(json.dumps(first)))
    assert [j["reading"] for j in stored(second, "judgements")] == ["61.0 Ω", "+0.300 V"]
    assert second["skipped"] == [Measurement.TO_COMMON, Measurement.SUPPLY]
    third = wiring_document(
        [judge_resistance(118.0)], [], listened=False, earlier=json.loads(json.dumps(second))
    )
    assert [j["reading"] for j in stored(third, "judgements")] == ["118.0 Ω", "+0.300 V"]
    assert stored(third, "observations") == stored(second, "observations") != []
    assert third["skipped"] == second["skipped"]


def test_a_reading_taken_back_is_gone_and_a_quiet_pair_replaces_a_loud_one() -> None:
    heard = [observed("Bytes came with nobody asked.", Cause.MISSING_BIAS)]
    first = wiring_document([judge_resistance(61.0)], heard, listened=True)
    second = wiring_document([judge_resistance(None)], [], listened=True, earlier=first)
    assert (second["judgements"], second["observations"]) == ([], [])
    assert Measurement.RESISTANCE in stored(second, "skipped")


def test_calculations_are_kept_beside_each_other_and_the_same_one_once() -> None:
    """Other inputs make another calculation; whatever else is recorded later leaves them."""
    first = wiring_document([], [], listened=False, calculations=[loads([1.0] * 32)])
    second = wiring_document(
        [], [], listened=False, calculations=[loads([1.0] * 8), loads([1.0] * 32)], earlier=first
    )
    third = wiring_document(
        [judge_resistance(61.0)], [], listened=True, earlier=json.loads(json.dumps(second))
    )
    assert [s["given"].split(",")[0] for s in stored(third, "sums")] == ["8 units", "32 units"]
    assert stored(third, "sums")[1]["lines"][0] == "1 repeater needed."


def test_a_document_of_an_older_version_is_read() -> None:
    """As written before `listened` was a field of its own; what was skipped told it then."""
    judgement = {
        "measurement": "A-B resistance, power off",
        "reading": "61.0 Ω",
        "level": "good",
        "words": "61.0 Ω fits both terminators.",
        "action": "",
        "limits": "two terminators of 120 Ω with what is connected: 46 to 68 Ω",
        "source": "MODBUS over Serial Line V1.02, section 3.4.5",
    }
    hint = {"cause": "interference from outside", "action": "Switch off the drives."}
    calculation = {
        "sum": "stub",
        "title": "Longest stub",
        "given": "1 derivation at one tap",
        "lines": ["By the Modbus guide: at most 20.0 m."],
        "formula": "40 m / derivations",
        "source": "MODBUS over Serial Line V1.02, section 3.4.3",
    }
    old = {
        "format": "busprobe.wiring/1",
        "judgements": [judgement],
        "observations": [{"seen": "Bytes came.", "certain": True, "hints": [hint]}],
        "patterns": [],
        "sums": [calculation],
        "skipped": ["A-B idle voltage", "each wire to common, idle", "supply at the far unit"],
    }
    record = read_record(old)
    assert record.listened
    assert record.judgements[0].level is Level.GOOD
    assert record.document() == {**old, "listened": True}
    unheard = [*old["skipped"], "listening to the pair"]
    assert not read_record({**old, "skipped": unheard}).listened
    assert not read_record({"format": "busprobe.wiring/1"}).listened


def test_a_document_of_another_format_is_not_carried_on() -> None:
    assert (
        wiring_document([], [], listened=False, earlier={"format": "other", "judgements": [{}]})[
            "judgements"
        ]
        == []
    )


def stored(document: dict[str, object], part: str) -> Any:
    return json.loads(json.dumps(document))[part]

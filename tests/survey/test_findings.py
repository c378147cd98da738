"""Findings, and progress that an earlier program kept: it means the same to this one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busprobe.errors import UsageError
from busprobe.files.documents import from_document, to_document
from busprobe.line.line import Line
from busprobe.survey.close_look import examine
from busprobe.survey.findings import Finding, Kind, ReplyLatency, SurveyResult
from busprobe.survey.probes import Probe
from busprobe.survey.survey import Survey
from tests.survey.scripted import SETTINGS, ScriptedPort, registers
from tests.survey.test_survey import AT_9600, line_of, on, result, segment

FIRST = json.loads((Path(__file__).parent / "kept" / "progress-1.json").read_text("utf-8"))
"""Made by the program at bf6ad33 on the virtual segment ``clash``, cut off by hand."""
SECOND = json.loads((Path(__file__).parent / "kept" / "progress-2.json").read_text("utf-8"))
"""Made by the program at a470860 on the same; by hand is that unit 12 also answers at 9600-8N2 and
was silent at the end."""


def test_a_finding_survives_the_way_through_a_progress_document() -> None:
    finding = examine(Line(ScriptedPort(registers(5, {0: 1, 1: 2})), SETTINGS), 5).finding()
    again = from_document(Finding, to_document(finding))
    assert again == finding
    assert again.evidence


def test_the_document_of_a_finding_leaves_open_what_only_identification_knows() -> None:
    document = to_document(Finding(5, SETTINGS, Kind.UNSURE))
    assert document == {
        "address": 5,
        "settings": "9600-8N1",
        "kind": "unsure",
        "latency_ms": None,
        "profile": None,
        "match": None,
        "reasons": [],
        "identity": None,
        "evidence": [],
        "notes": [],
        "exchanges": [],
        "also_at": [],
        "also_addresses": [],
        "silent_at_end": False,
        "readings": [],
    }


def test_a_latency_counts_from_the_end_of_the_request_to_the_first_byte_of_the_frame() -> None:
    """Scripted: the last of 9 bytes is there 30 ms after the request; 9 bytes at 9600-8N1 take 9.38
    ms (computed).

    A byte of junk 25 ms earlier is no part of the reply.
    """
    unit = registers(5, {0: 1, 1: 2}, delay=0.03)
    port = ScriptedPort(lambda request, settings: [(0.005, b"\x00"), *unit(request, settings)])
    seen = examine(Line(port, SETTINGS), 5)
    reads = [r for r in seen.replies if r.registers and len(r.frame) == 9]
    latency = ReplyLatency.of(reads)
    assert latency is not None
    assert latency.median == pytest.approx(0.03 - 9 * 10 / 9600)
    assert ReplyLatency.of([]) is None


def test_what_a_survey_has_shown_survives_the_way_through_its_progress_document() -> None:
    survey = Survey(line_of(segment("impostor")), AT_9600, range(1, 40))
    end = result(list(survey))
    assert end.untested and end.findings and end.line_notes and end.answered_everywhere
    assert SurveyResult.from_progress(json.loads(json.dumps(end.progress()))) == end


def test_progress_of_the_first_format_is_read() -> None:
    kept = SurveyResult.from_progress(FIRST)
    assert [str(finding.place) for finding in kept.findings] == [
        f"{each['address']} {each['settings']}" for each in FIRST["findings"]
    ]
    assert [list(finding.notes) for finding in kept.findings] == [
        each["notes"] for each in FIRST["findings"]
    ]
    assert [bytes.fromhex(each).hex() for each in kept.findings[0].evidence] == [
        each["received"] for each in FIRST["findings"][0]["evidence"]
    ]
    assert [(one.probe, one.wait_ms) for one in kept.asked] == [
        (Probe.parse(each["probe"]), each["wait_ms"]) for each in FIRST["asked"]
    ]
    assert [note.words for note in kept.line_notes] == FIRST["notes"]


def test_a_survey_goes_on_from_progress_of_the_first_format() -> None:
    line = line_of(segment("clash"))
    end = result(list(Survey(line, AT_9600, range(1, 15), resume=FIRST)))
    again = result(on(line_of(segment("clash")), AT_9600, addresses=range(1, 15)))
    assert end.complete
    assert [(f.place, f.kind) for f in end.findings] == [(f.place, f.kind) for f in again.findings]
    assert end.seconds > FIRST["seconds"]


def test_progress_of_the_second_format_is_read() -> None:
    kept = SurveyResult.from_progress(SECOND)
    clash, unit = kept.findings
    assert (str(clash.place), clash.kind) == ("1 9600-8N1", Kind.CLASH)
    assert (str(unit.place), unit.kind, unit.latency_ms) == ("12 9600-8N1", Kind.UNIT, 12.5)
    assert list(clash.exchanges) == [each["words"] for each in SECOND["findings"][0]["evidence"]]
    assert clash.notes == tuple(SECOND["findings"][0]["seen"])
    assert unit.notes == (
        "Also answers at 9600-8N2.",
        "It answered at first and was silent at the end of the survey.",
    )
    assert unit.at_end(silent=False).notes == unit.notes[:1]
    line = line_of(segment("clash"))
    end = result(list(Survey(line, AT_9600, range(1, 15), resume=SECOND)))
    assert end.complete
    assert end.findings[1].notes == unit.notes[:1]  # this time it answers at the end


def test_findings_stand_alike_in_both_documents() -> None:
    end = result(on(line_of(segment("clash")), AT_9600, addresses=range(1, 15)))
    assert end.progress()["findings"] == end.document("x")["findings"]


@pytest.mark.parametrize("key", ["findings", "asked", "seconds", "format", "notes"])
def test_progress_that_lacks_something_is_no_progress(key: str) -> None:
    with pytest.raises(UsageError, match="cannot be read back"):
        SurveyResult.from_progress({name: each for name, each in FIRST.items() if name != key})

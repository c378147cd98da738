"""Progress that an earlier program kept means the same to this one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busprobe.errors import UsageError
from busprobe.survey.probes import Probe
from busprobe.survey.result import SurveyProgress, asked_and_found
from busprobe.survey.survey import Survey
from tests.survey.test_survey import AT_9600, line_of, on, result, segment

FIRST = json.loads((Path(__file__).parent / "kept" / "progress-1.json").read_text("utf-8"))
"""Made by the program at bf6ad33 on the virtual segment ``clash``, cut off by hand."""


def test_progress_of_the_first_format_is_read() -> None:
    kept = SurveyProgress.read(FIRST)
    assert [str(finding.place) for finding in kept.findings] == [
        f"{each['address']} {each['settings']}" for each in FIRST["findings"]
    ]
    assert [list(finding.notes) for finding in kept.findings] == [
        each["notes"] for each in FIRST["findings"]
    ]
    assert [each.received.hex() for each in kept.findings[0].evidence] == [
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


def test_what_was_asked_and_found_stands_alike_in_both_documents() -> None:
    end = result(on(line_of(segment("clash")), AT_9600, addresses=range(1, 15)))
    assert asked_and_found(end.progress()) == asked_and_found(end.document("x"))
    assert asked_and_found(FIRST)[1] == {f.place for f in SurveyProgress.read(FIRST).findings}


@pytest.mark.parametrize("key", ["findings", "asked", "seconds", "format", "notes"])
def test_progress_that_lacks_something_is_no_progress(key: str) -> None:
    with pytest.raises(UsageError, match="cannot be read back"):
        SurveyProgress.read({name: each for name, each in FIRST.items() if name != key})

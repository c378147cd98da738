from __future__ import annotations

import pytest

from busprobe.files.documents import from_document, to_document
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.survey.close_look import examine
from busprobe.survey.findings import Finding, Kind, Latency
from tests.survey.scripted import SETTINGS, ScriptedPort, registers


def test_a_finding_survives_the_way_through_a_progress_document() -> None:
    finding = examine(Line(ScriptedPort(registers(5, {0: 1, 1: 2})), SETTINGS), 5).finding()
    again = from_document(Finding, to_document(finding))
    assert again == finding
    assert again.evidence


def test_the_document_of_a_finding_leaves_open_what_only_identification_knows() -> None:
    document = Finding(Place(5, SETTINGS), Kind.UNSURE, None, ()).document()
    assert document == {
        "address": 5,
        "settings": "9600-8N1",
        "kind": "unsure",
        "latency_ms": None,
        "profile": None,
        "match": None,
        "identity": None,
        "evidence": [],
        "notes": [],
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
    latency = Latency.of(reads)
    assert latency is not None
    assert latency.median == pytest.approx(0.03 - 9 * 10 / 9600)
    assert Latency.of([]) is None

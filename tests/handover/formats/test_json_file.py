from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.handover.bus_list import BusList, StepSheet
from busprobe.handover.formats import json_file
from busprobe.job import Job
from tests.handover.hostile import EMPTY


def load(bus_list: BusList) -> Any:
    (content,) = json_file.files(bus_list).values()
    return json.loads(content)


def test_the_document_comes_back_as_it_was(bus_list: BusList) -> None:
    document = load(bus_list)
    assert document == json_file.document(bus_list)
    assert document["format"] == "busprobe.buslist/1"
    assert list(document) == ["format", *(field.name for field in fields(BusList))]
    sensor = document["units"][1]
    assert (sensor["address"], sensor["read_functions"], sensor["latency_median_ms"]) == (
        12,
        [3, 4],
        9.4,
    )
    assert document["units"][0]["polls"] is None
    assert document["points"][0]["value"] == -5.2
    assert document["journal"][0]["conclusions"][0]["reply"] == "01 06 01 01 00 0C"
    assert document["segment"]["survey"]["noise_bytes"] == 3


def test_numbers_without_a_word_in_json_become_null() -> None:
    wiring = StepSheet("now", {"ohms": float("inf"), "volts": [float("nan"), 0.2]})
    document = load(replace(EMPTY, segment=replace(EMPTY.segment, wiring=wiring)))
    assert document["segment"]["wiring"]["document"] == {"ohms": None, "volts": [None, 0.2]}


@settings(deadline=None, max_examples=100)
@given(st.text(max_size=20))
def test_any_text_comes_back_and_the_file_is_plain_ascii(text: str) -> None:
    bus_list = replace(EMPTY, segment=replace(EMPTY.segment, site=text), attention=(text,))
    (content,) = json_file.files(bus_list).values()
    assert all(byte == 0x0A or 0x20 <= byte < 0x7F for byte in content)
    document = json.loads(content)
    assert (document["segment"]["site"], document["attention"]) == (text, [text])


def test_undecodable_text_does_not_stop_the_hand_over(job: Job) -> None:
    """Python carries bytes of a command line that are no text as lone surrogates."""
    assert (
        load(replace(EMPTY, segment=replace(EMPTY.segment, tester="Ren\udce9")))["segment"][
            "tester"
        ]
        == "Ren\udce9"
    )

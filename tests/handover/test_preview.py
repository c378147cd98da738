from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings

from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS
from busprobe.handover.preview import Missing, missing, preview
from tests.handover.hostile import EMPTY, proof_of, saying, texts


def whats(bus_list: BusList) -> list[str]:
    return [gap.what for gap in missing(bus_list)]


def test_every_file_that_would_be_written_is_in_the_preview(bus_list: BusList) -> None:
    lines = preview(bus_list)
    assert [line for line in lines if line and not line.startswith(" ")] == list(EXPORTERS)
    text = "\n".join(lines)
    for export in EXPORTERS.values():
        for file in export(bus_list):
            assert file in text


def test_the_preview_counts_what_is_there(bus_list: BusList) -> None:
    lines = [line.strip() for line in preview(bus_list)]
    assert "bus-list.csv: 4 rows" in lines
    assert "journal.csv: 1 row" in lines
    assert "bus-list.json: everything, of 2 units" in lines
    assert "unit-labels.html: 2 labels" in lines
    assert "cable-labels.html: 4 labels, two a length of cable" in lines
    assert "No reply-time plots: no endurance run" in lines
    assert "Terminators: not measured." in lines
    assert "2 descriptions, one a unit" in lines


def test_plots_are_announced_where_there_are_any(bus_list: BusList) -> None:
    assert "  Reply-time plots of 1 unit" in preview(replace(bus_list, proof=proof_of(12)))


def test_what_is_missing_is_named_with_the_units_it_is_missing_of(bus_list: BusList) -> None:
    assert whats(bus_list) == [
        "Nobody listened before asking.",
        "The wiring was not measured.",
        "Tag missing: 5.",
        "Location missing: 5.",
        "Serial number missing: 5.",
        "Values missing: 5, 12 TT-12.",
        "Endurance run missing: 5.",
        "Check after a power cycle missing: 5.",
    ]


def test_each_gap_has_somebody_who_can_fill_it(bus_list: BusList) -> None:
    gaps = {gap.what.partition(" ")[0]: gap for gap in missing(bus_list)}
    assert gaps["Tag"].who == "the plan of the bus, or whoever made it"
    assert gaps["Serial"].who == "its rating plate, or whoever mounted it"
    assert gaps["Endurance"] == Missing("Endurance run missing: 5.", "you", "Run it in the step Prove.")


@pytest.mark.parametrize(("field", "what"), [("site", "site"), ("segment", "segment"), ("tester", "tester")])
def test_a_paper_without_a_head_asks_for_it(bus_list: BusList, field: str, what: str) -> None:
    headless = replace(bus_list, segment=replace(bus_list.segment, **{field: ""}))  # type: ignore[arg-type]
    assert f"The {what} has no name." in whats(headless)
    assert f"The {what} has no name." not in whats(bus_list)


def test_places_unknown_and_measurements_skipped_are_missing(bus_list: BusList) -> None:
    lost = tuple(replace(unit, position=None) for unit in bus_list.units)
    assert "Place along the cable missing: 5, 12 TT-12." in whats(replace(bus_list, units=lost))
    assert "Not measured: supply." in whats(saying("a", "supply", "b"))


def test_a_clash_is_to_be_resolved_first(bus_list: BusList) -> None:
    clash = replace(bus_list.units[0], state="clash")
    assert "It is not clear who answers at 5." in whats(replace(bus_list, units=(clash,)))


def test_an_empty_list_asks_for_a_survey() -> None:
    assert "There is no complete survey." in whats(EMPTY)


@settings(deadline=None, max_examples=25)
@given(texts, texts, texts)
def test_no_text_brings_control_codes_to_the_screen(tag: str, place: str, name: str) -> None:
    assert all(line.isprintable() for line in preview(saying(tag, place, name)))
    gaps = missing(saying(tag, place, name))
    assert all((gap.what + gap.who + gap.how).isprintable() for gap in gaps)

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings

from busprobe.handover.bus_list import BusList
from busprobe.handover.missing import Ask, Missing, missing
from busprobe.job import Cabling
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from tests.handover.hostile import EMPTY, saying, texts


def whats(bus_list: BusList) -> list[str]:
    return [gap.what for gap in missing(bus_list)]


def test_what_is_missing_is_named_with_the_units_it_is_missing_of(bus_list: BusList) -> None:
    assert whats(bus_list) == [
        "Nothing listened for other traffic before asking.",
        "The wiring was not measured.",
        (
            "Not noted of the pair: the master and its port, cable type, cable length, route, bias,"
            " common conductor, shield, instruments, terminators."
        ),
        "Tag missing: 5.",
        "Location missing: 5.",
        "Cable from the master missing: 5, 12 TT-12.",
        "Serial number missing: 5.",
        "Supply missing: 5, 12 TT-12.",
        "Label missing: 5, 12 TT-12.",
        "Values missing: 5, 12 TT-12.",
        "Values on the display missing: 12 TT-12.",
        "Endurance run missing: 5.",
        "Check after a power cycle missing: 5.",
        "Poll interval not set.",
        "The polling table was not tried on the bus.",
    ]


def test_each_gap_has_somebody_who_can_fill_it(bus_list: BusList) -> None:
    gaps = {gap.what.partition(" ")[0]: gap for gap in missing(bus_list)}
    assert gaps["Tag"].who == "the plan of the bus, or whoever made it"
    assert gaps["Serial"].who == "its rating plate, or whoever mounted it"
    assert gaps["Endurance"] == Missing(
        "Endurance run missing: 5.",
        "you",
        "Run it in the step Prove.",
        Ask.PROVE,
        units=(Place.parse("5 9600-8N1"),),
    )
    assert (gaps["Serial"].ask, gaps["Serial"].field) == (Ask.UNIT, "serial")


def test_what_was_noted_is_missing_no_more(bus_list: BusList) -> None:
    cabling = Cabling(
        "PLC, COM2",
        "",
        "2 x 2 x 0.8",
        120.0,
        "one line",
        True,
        "at the master",
        "yes",
        "at A",
        "meter",
    )
    noted = replace(bus_list, segment=replace(bus_list.segment, cabling=cabling))
    assert not [what for what in whats(noted) if "pair" in what]
    partly = replace(cabling, cable="", terminator_at_master=None)
    (gap,) = [
        g
        for g in missing(replace(bus_list, segment=replace(bus_list.segment, cabling=partly)))
        if "pair" in g.what
    ]
    assert (gap.what, gap.field) == ("Not noted of the pair: cable type, terminators.", "cable")
    units = tuple(replace(unit, terminator=False) for unit in bus_list.units)
    assert not any("terminators" in what for what in whats(replace(bus_list, units=units)))


@pytest.mark.parametrize(
    ("field", "what"), [("site", "site"), ("segment", "segment"), ("tester", "tester")]
)
def test_a_paper_without_a_head_asks_for_it(bus_list: BusList, field: str, what: str) -> None:
    headless = replace(bus_list, segment=replace(bus_list.segment, **{field: ""}))  # type: ignore[arg-type]
    assert f"The {what} has no name." in whats(headless)
    assert f"The {what} has no name." not in whats(bus_list)


def test_places_unknown_and_measurements_skipped_are_missing(bus_list: BusList) -> None:
    lost = tuple(replace(unit, position=None) for unit in bus_list.units)
    assert "Place along the cable missing: 5, 12 TT-12." in whats(replace(bus_list, units=lost))
    assert "Not measured: supply." in whats(saying("a", "supply", "b"))


def test_a_clash_is_to_be_resolved_first(bus_list: BusList) -> None:
    clash = replace(bus_list.units[0], state=EntryKind.CLASH)
    assert "It is not clear who answers at 5." in whats(replace(bus_list, units=(clash,)))


def test_an_empty_list_asks_for_a_survey() -> None:
    assert "There is no complete survey." in whats(EMPTY)


@settings(deadline=None, max_examples=25)
@given(texts, texts, texts)
def test_no_text_brings_control_codes_to_the_screen(tag: str, place: str, name: str) -> None:
    gaps = missing(saying(tag, place, name))
    assert all((gap.what + gap.who + gap.how).isprintable() for gap in gaps)

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest

from busprobe.handover.bus_list import BusList, StepSheet, UnitRow
from busprobe.handover.drawings import svg
from busprobe.handover.drawings.segment_drawing import (
    PER_ROW,
    cable_order,
    segment_drawing,
    terminator_places,
    terminators,
)
from busprobe.job import Cabling
from busprobe.job.records import EntryKind
from busprobe.wiring.meter import Judgement
from busprobe.wiring.record import wiring_document
from busprobe.wiring.resistance import judge_resistance
from tests.handover.hostile import EMPTY


def unit(address: int, **changes: object) -> UnitRow:
    known = UnitRow(number=address, state=EntryKind.UNIT, address=address, settings="9600-8N1")
    return replace(known, **changes)  # type: ignore[arg-type]


def listing(*units: UnitRow) -> BusList:
    return replace(EMPTY, units=units)


def measured(bus_list: BusList, judgement: Judgement) -> BusList:
    wiring = StepSheet("now", wiring_document([judgement], [], listened=True))
    return replace(bus_list, segment=replace(bus_list.segment, wiring=wiring))


def shapes(bus_list: BusList, tag: str, class_: str) -> list[svg.Element]:
    root = ElementTree.fromstring(svg.markup(segment_drawing(bus_list)))  # noqa: S314 - our own drawing
    found = root.iter(f"{{http://www.w3.org/2000/svg}}{tag}")
    return [shape for shape in found if shape.get("class") == class_]


def words(bus_list: BusList) -> list[str | None]:
    return [
        text.text
        for class_ in ("strong", "", "small", "mark")
        for text in shapes(bus_list, "text", class_)
    ]


def test_units_stand_along_the_cable_in_the_order_of_the_list() -> None:
    found = listing(unit(31, position=1), unit(7, position=2), unit(12, position=3))
    texts = shapes(found, "text", "strong")
    assert [text.text for text in texts] == ["Master", "31 (0x1F)", "7 (0x07)", "12 (0x0C)"]
    places = [float(text.get("x", "")) for text in texts]
    assert places == sorted(places)
    assert len(shapes(found, "polyline", "cable")) == 3
    assert not shapes(found, "polyline", "cable unknown")
    assert len(shapes(found, "line", "stub")) == 4


def test_a_long_cable_turns_back_and_stays_one_line() -> None:
    found = listing(*(unit(n, position=n) for n in range(1, 33)))
    lines = [line.get("points", "").split() for line in shapes(found, "polyline", "cable")]
    assert len(lines) == 32
    assert all(before[-1] == after[0] for before, after in pairwise(lines))
    rows = {line[-1].split(",")[1] for line in lines}
    assert len(rows) == -(-33 // PER_ROW)


def test_an_unknown_place_is_a_dashed_line_and_said_in_words() -> None:
    found = listing(unit(5, position=1), unit(9))
    assert len(shapes(found, "polyline", "cable")) == 1
    assert len(shapes(found, "polyline", "cable unknown")) == 1
    assert "not known of 9" in cable_order(found.units)
    assert "in cable order" in cable_order(found.units[:1])


def test_clashes_have_a_shape_and_a_word_of_their_own() -> None:
    """Told by colour alone they would be lost on a black and white print."""
    found = listing(
        unit(5, position=1),
        unit(9, position=2, state=EntryKind.CLASH),
        unit(11, position=3, state=EntryKind.UNSURE),
    )
    assert len(shapes(found, "polygon", "box clash")) == 1
    assert len(shapes(found, "rect", "box unsure")) == 1
    assert len(shapes(found, "rect", "box")) == 1
    assert [mark.text for mark in shapes(found, "text", "mark")] == [
        "CLASH",
        "NOT CLEAR WHO",
        "T?",
        "T?",
    ]


def test_one_address_at_two_line_settings_is_marked_at_both() -> None:
    found = listing(unit(5), unit(5, settings="19200-8E1"), unit(6))
    assert words(found).count("SAME ADDRESS TWICE") == 2
    assert len(shapes(found, "polygon", "box clash")) == 2


def test_reserved_addresses_are_nobody_and_not_drawn() -> None:
    assert not [
        text
        for text in words(listing(UnitRow(number=1, state="reserved", address=1)))
        if text and "0x" in text
    ]


@pytest.mark.parametrize(
    ("ohms", "known"), [(60.0, True), (120.0, False), (None, False), (5000.0, False)]
)
def test_terminators_are_known_only_where_the_resistance_fits_both(
    ohms: float | None, known: bool
) -> None:
    """Two of 120 Ω in parallel: MODBUS over Serial Line V1.02, section 3.4.5."""
    found = measured(listing(unit(5, position=1)), judge_resistance(ohms))
    assert terminators(found.segment)[0] is known
    assert len(shapes(found, "rect", "terminator")) == (2 if known else 0)
    assert len(shapes(found, "rect", "terminator unknown")) == (0 if known else 2)
    if ohms is not None:
        assert "fits" in terminators(found.segment)[1]


def test_without_a_measurement_nothing_is_said_of_terminators() -> None:
    assert terminators(EMPTY.segment) == (False, "Terminators: not measured.")


def test_long_names_are_shortened_and_say_so() -> None:
    tag = "A very long tag for the pump in the boiler room"
    (short,) = [
        text for text in words(listing(unit(5, tag=tag))) if text and text.startswith("A very")
    ]
    assert short is not None
    assert short.endswith("…")
    assert len(short) < len(tag)


def noted(bus_list: BusList, at_master: bool | None) -> BusList:
    cabling = Cabling(terminator_at_master=at_master)
    return replace(bus_list, segment=replace(bus_list.segment, cabling=cabling))


def test_terminators_that_were_noted_stand_where_they_are() -> None:
    """In the middle of the cable too: it is wrong there, and the drawing shows what is."""
    found = listing(
        unit(5, position=1, terminator=True),
        unit(6, position=2, terminator=False),
        unit(7, position=3),
    )
    marks = [text.text for text in shapes(noted(found, True), "text", "mark")]
    assert marks == ["T", "T", "T?"]
    assert terminator_places(noted(found, True).segment, found.units) == "master, 5"
    assert terminator_places(found.segment, listing(unit(5)).units) == "not noted"
    none = listing(unit(5, position=1, terminator=False))
    assert [text.text for text in shapes(noted(none, False), "text", "mark")] == ["no T", "no T"]
    assert terminator_places(noted(none, False).segment, none.units) == "none noted"


def test_what_was_seen_counts_more_than_what_a_resistance_fits() -> None:
    found = measured(listing(unit(5, position=1, terminator=False)), judge_resistance(60.0))
    assert [text.text for text in shapes(found, "text", "mark")] == ["T", "no T"]


def test_lengths_of_cable_stand_between_the_boxes_where_both_ends_are_known() -> None:
    far = (
        unit(5, position=1, distance_m=12.5),
        unit(6, position=2, distance_m=40),
        unit(7, position=3),
    )
    found = listing(*far, unit(8, position=4, distance_m=60), unit(9, position=5, distance_m=61))
    assert [word for word in words(found) if word and word.endswith(" m")] == [
        "12.5 m",
        "27.5 m",
        "1 m",
    ]


def test_a_length_round_the_end_of_a_row_stands_between_the_bend_and_its_box() -> None:
    """Not beyond the box, where it would be taken for the next length."""
    found = listing(*(unit(n, position=n, distance_m=n * n) for n in range(1, 11)))
    at = {text.text: float(text.get("x") or 0) for text in shapes(found, "text", "small")}
    assert at["9 m"] > at["11 m"] > at["13 m"], "the second row runs from right to left"
    assert at["9 m"] > max(at["3 m"], at["5 m"]), "the bend is at the right edge"
    assert at["19 m"] < at["17 m"], "the next bend is at the left edge"


def test_what_is_only_planned_is_not_drawn_as_there() -> None:
    assert "9 (0x09)" not in words(listing(unit(5), unit(9, state="planned")))

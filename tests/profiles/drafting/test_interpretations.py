"""Registers in all sensible interpretations, the plausible ones first."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.profiles.drafting.interpretations import (
    Interpretation,
    distinct,
    interpretations,
    off_by_one,
    straddles,
    wanted_blocks,
)
from busprobe.profiles.drafting.notes import NotedPoint
from busprobe.profiles.read_requests import Block
from busprobe.profiles.registers import Register
from busprobe.profiles.schema import PointType, WordOrder


def noted(register: int = 10, **fields: Any) -> NotedPoint:
    return NotedPoint.model_validate({"name": "P", "register": register, **fields})


def ways(
    words: list[int], *, first: int = 10, room: int | None = None, **fields: Any
) -> tuple[Interpretation, ...]:
    point = noted(**fields)
    registers = {(3, first + i): word for i, word in enumerate(words)}
    return interpretations(point, Register(point.number, point.number), registers, room=room)


def words(digits: str) -> list[int]:
    return [int(digits[i : i + 4], 16) for i in range(0, len(digits), 4)]


# The word orders of references computed with Python's struct, as in test_values.
@pytest.mark.parametrize(
    ("digits", "order"),
    [("42F6E979", "ABCD"), ("E97942F6", "CDAB"), ("F64279E9", "BADC"), ("79E9F642", "DCBA")],
)
def test_a_float_is_found_in_each_order(digits: str, order: str) -> None:
    best = ways(words(digits), unit="V")[0]
    assert (best.point.type, best.point.order) == (PointType.FLOAT32, WordOrder(order))
    assert best.reading.value == pytest.approx(123.456, rel=1e-6)


def test_a_float_that_another_order_makes_plausible_too_is_shown_in_both() -> None:
    """100.0 is -198656.0 with the bytes of its registers swapped: plausible to look at, so never
    hidden."""
    found = [way.reading.value for way in ways(words("42C80000"), type="float32")]
    assert found[0] == 100.0
    assert -198656.0 in found


@pytest.mark.parametrize(
    ("word", "unit", "value", "kind"),
    [
        (0xFFEB, "°C", -21, "int16"),
        (0xFFEB, "", -21, "int16"),
        (2304, "V", 230.4, "uint16"),
        (480, "%", 48.0, "uint16"),
        (501, "Hz", 50.1, "uint16"),
    ],
)
def test_sign_and_scale_follow_from_what_a_quantity_is_like(
    word: int, unit: str, value: float, kind: str
) -> None:
    plausible = [
        (way.reading.value, str(way.point.type))
        for way in ways([word], unit=unit)
        if way.plausibility > 0.3
    ]
    assert (value, kind) in plausible[:4]


def test_a_range_of_the_data_sheet_counts_for_more_than_habit() -> None:
    best = ways([2304], plausible_min=200, plausible_max=250)[0]
    assert best.reading.value == 230.4


def test_what_the_display_shows_decides() -> None:
    best = ways([0xFFE0, 0x0286], shows=-3.2)[0]
    assert (best.reading.value, best.plausibility > 0.9) == (-3.2, True)
    assert ways([0xFFE0, 0x0286], shows=64.6, register=11, first=10)[0].reading.value == 64.6


def test_a_counter_takes_two_registers() -> None:
    best = ways([0x001C, 0x1B75], unit="kWh")[0]
    assert (best.point.type, best.reading.value) == (PointType.UINT32, 0x001C1B75)
    swapped = ways([0x1B75, 0x001C], unit="kWh")[0]
    assert (swapped.point.order, swapped.reading.value) == (WordOrder.CDAB, 0x001C1B75)


def test_a_point_ends_where_the_next_one_begins() -> None:
    assert all(way.point.count == 1 for way in ways(words("42F6E979"), room=1))


def test_what_the_data_sheet_says_is_not_varied() -> None:
    found = ways(words("42F6E979"), type="uint32", order="CDAB", scale=0.1, function=3)
    assert {(way.point.type, way.point.order, way.point.scale) for way in found} == {
        (PointType.UINT32, WordOrder.CDAB, 0.1)
    }


def test_a_text_is_rated_by_its_letters() -> None:
    best = ways(words("41434D4520534F4C4152"), type="text", length=5)[0]
    assert (best.reading.text, best.point.order) == ("ACME SOLAR", WordOrder.ABCD)


def test_bytes_swapped_in_each_register_are_less_likely() -> None:
    """A serial number has as many letters either way, and a power of 95.2 kW may as well be 4710.7
    kW."""
    text = ways(words("5448372D303034343137"), type="text", length=5)
    assert [str(way.point.order) for way in distinct(text)] == ["ABCD", "BADC"]
    assert text[1].plausibility < 0.75 * text[0].plausibility
    power = ways(words("03B80000"), type="int32", scale=0.1, unit="kW")
    assert [str(way.point.order) for way in power[:2]] == ["CDAB", "DCBA"]
    assert power[1].plausibility < 0.75 * power[0].plausibility


def test_states_are_no_bits_where_bits_without_a_name_are_set() -> None:
    assert ways([2], names={0: "off", 1: "on", 2: "fault"})[0].point.type is PointType.ENUM
    assert ways([0xBD], names={0: "off", 1: "on", 2: "fault"})[0].plausibility < 0.2
    assert ways([0x05], names={0: "off", 2: "fault"})[0].point.type is PointType.BITS


def test_the_code_for_no_value_speaks_for_the_register_that_holds_it() -> None:
    found = ways([0x8000, 0x8001], type="int16", scale=0.1, unit="°C", no_value=[0x8000])
    assert found[0].reading.text == "no value"
    assert found[0].plausibility == 0.5


def test_a_stated_type_without_a_scale_is_most_likely_not_scaled() -> None:
    best, second = distinct(ways([23940], type="uint16", unit="mV", function=3))[:2]
    assert (best.point.scale, second.plausibility < 0.75 * best.plausibility) == (1.0, True)


def test_registers_that_were_not_given_give_no_interpretation() -> None:
    assert ways([]) == ()
    assert all(way.point.count == 1 for way in ways([5]))


def test_both_tables_and_both_neighbours_are_wanted_unless_the_data_sheet_says() -> None:
    assert wanted_blocks(noted(), Register(10, 10)) == (Block(3, 9, 6), Block(4, 9, 6))
    assert wanted_blocks(noted(type="uint16"), Register(10, 30011, 4)) == (Block(4, 9, 3),)
    assert wanted_blocks(noted(0, function=3, type="int32"), Register(0, 0)) == (Block(3, 0, 3),)
    assert wanted_blocks(noted(function=3), Register(0xFFFF, 0xFFFF)) == (Block(3, 0xFFFE, 2),)


def meter(shift: int) -> list[tuple[Interpretation, ...]]:
    """Three voltages at 0, 2 and 4 that the data sheet numbers `shift` higher."""
    volts = [230.4, 231.1, 229.7]
    data = b"".join(struct.pack(">f", value) for value in volts)
    registers = {(3, i): int.from_bytes(data[2 * i : 2 * i + 2], "big") for i in range(6)}
    found = []
    for start in (0, 2, 4):
        at = Register(start + shift, start + shift)
        found.append(
            interpretations(noted(at.wire, unit="V", type="float32", order="ABCD"), at, registers)
        )
    return found


@pytest.mark.parametrize("shift", [0, 1])
def test_numbering_that_is_off_by_one_shows_in_all_points_together(shift: int) -> None:
    assert off_by_one(meter(shift)) == -shift


def test_numbering_is_not_doubted_without_points() -> None:
    assert off_by_one([]) == 0
    assert off_by_one([()]) == 0


def test_two_halves_of_neighbours_that_look_like_a_value_are_named() -> None:
    """230.4 and 231.1 one behind the other: the low half of one and the high half of the next make
    231 or so."""
    data = struct.pack(">fff", 230.4, 231.1, 229.7)
    found = ways(
        [int.from_bytes(data[i : i + 2], "big") for i in range(0, 12, 2)],
        first=9,
        unit="V",
        type="float32",
    )
    chosen = next(way for way in found if way.shift == -1 and way.point.order is WordOrder.ABCD)
    other = straddles(chosen, found)
    assert other is not None
    assert (other.shift, other.point.order) == (0, WordOrder.CDAB)


def test_the_same_value_read_in_several_ways_is_shown_once() -> None:
    found = ways([235])
    values = [(way.reading.text, way.shift) for way in distinct(found)]
    assert len(values) == len(set(values)) < len(found)


@given(
    st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=8),
    st.sampled_from(["", "°C", "kWh", "V"]),
    st.none() | st.floats(-1e6, 1e6),
)
def test_ratings_are_sorted_and_bounded_whatever_was_read(
    raw: list[int], unit: str, shows: float | None
) -> None:
    found = ways(raw, first=9, unit=unit, shows=shows)
    ratings = [way.plausibility for way in found]
    assert ratings == sorted(ratings, reverse=True)
    assert all(0 < rating <= 1 for rating in ratings)
    assert all(way.words.isprintable() and way.reading.text.isprintable() for way in found)
    assert -1 <= off_by_one([found]) <= 1


FLOW = struct.unpack(">HH", struct.pack(">f", 12.5))


@pytest.mark.parametrize("order", list(WordOrder))
@pytest.mark.parametrize("stated", [None, *WordOrder])
def test_the_order_is_the_one_that_reads_what_the_display_shows(
    order: WordOrder, stated: WordOrder | None
) -> None:
    """Whatever the data sheet says of it: bytes of 12.5 put on the wire in each order by hand."""
    a, b, c, d = struct.pack(">f", 12.5)
    on_wire = {"ABCD": (a, b, c, d), "CDAB": (c, d, a, b), "BADC": (b, a, d, c)}
    first = on_wire.get(order, (d, c, b, a))
    registers = [first[0] << 8 | first[1], first[2] << 8 | first[3]]
    best = ways(registers, type="float32", order=stated, shows=12.5)[0]
    assert (best.reading.value, best.point.order) == (12.5, order)


def test_without_a_display_the_data_sheet_is_believed() -> None:
    found = ways([FLOW[1], FLOW[0]], type="float32", order="ABCD")
    assert {way.point.order for way in found} <= {WordOrder.ABCD}


def test_where_both_orders_read_what_is_shown_it_is_the_one_of_the_data_sheet() -> None:
    for order in WordOrder:
        best = ways([0x0101, 0x0101], type="uint32", order=order, shows=0x01010101)[0]
        assert best.point.order == order

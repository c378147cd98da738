"""A line of a data sheet as somebody types it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.profiles.drafting.data_sheet_line import SYNTAX, read_line, write_line
from busprobe.profiles.drafting.notes import notes


@pytest.mark.parametrize(
    ("line", "point"),
    [
        ("31 Wind speed m/s", {"name": "Wind speed", "register": 31, "unit": "m/s"}),
        ("m/s 0x1F Wind", {"name": "Wind", "register": 31, "unit": "m/s"}),
        ("Temperature degC 40011", {"name": "Temperature", "register": 40011, "unit": "°C"}),
        ("7", {"name": "Register 7", "register": 7}),
        ("20 Energy [pulses] /10 u32", {"unit": "pulses", "scale": 0.1, "type": "uint32"}),
        (
            "20 T x0.1 INT16 fc4 =-3,2",
            {"scale": 0.1, "type": "int16", "function": 4, "shows": -3.2},
        ),
        ("Phase A current 31 A", {"name": "Phase A current", "unit": "A"}),
        ('"Phase 1" 31 V', {"name": "Phase 1", "unit": "V"}),
        (
            "40 Serial text:8 BADC is=serial",
            {"type": "text", "length": 8, "order": "BADC", "tells": "serial"},
        ),
        (
            "9 State 0=off 1=fault_locked",
            {"name": "State", "names": {"0": "off", "1": "fault locked"}},
        ),
        (
            "5 Flow offset=-40 min=0 max=1e3 none=0x8000",
            {"offset": -40, "plausible_min": 0, "plausible_max": 1000, "no_value": [0x8000]},
        ),
        ("5 Flow scale@9", {"scale_register": {"register": 9, "means": "exponent"}}),
        (
            "5 Flow scale@0x9:divisor fixed",
            {"scale_register": {"register": 9, "means": "divisor"}, "fixed": True},
        ),
        ("5 Float level", {"name": "Float level"}),
        (
            "1 Flow temperature S16 0.01 °C",
            {"name": "Flow temperature", "type": "int16", "scale": 0.01, "unit": "°C"},
        ),
        ("5..6 Heat power 0,1kW", {"register": 5, "length": 2, "scale": 0.1, "unit": "kW"}),
        ("001Fh-0020h Flow REAL", {"name": "Flow", "register": 31, "length": 2, "type": "float32"}),
        ("3 Real power W", {"name": "Real power", "unit": "W"}),
        ("31-38 Serial ASCII", {"type": "text", "length": 8}),
        (
            '9 State 0=OK, 1="low flow", 2=off none=8000h',
            {"names": {"0": "OK", "1": "low flow", "2": "off"}},
        ),
        ("9 State U16 0=off 1=on", {"names": {"0": "off", "1": "on"}}),
        ('9 Mode ="AUTO 1"', {"shows": "AUTO 1"}),
        ("5 [red]Name[/]", {"name": "[red]Name[/]"}),
        (
            "5 Set point R/W ±0.5 °C",
            {"name": "Set point", "writable": True, "tolerance": 0.5, "unit": "°C"},
        ),
        (
            "5 Current L1 RO +-1% ch=L1",
            {"name": "Current L1", "writable": False, "tolerance_percent": 1},
        ),
        (
            '5 Power ch=A3 about="sum of the phases"',
            {"channel": "A3", "description": "sum of the phases"},
        ),
        ("5 Voltage R V", {"name": "Voltage R", "unit": "V"}),
    ],
)
def test_what_is_said_in_any_order_is_understood(line: str, point: dict[str, Any]) -> None:
    read = read_line(line)
    assert {name: read[name] for name in point} == point
    assert "type" in point or "type" not in read
    assert notes({"points": [read]}).points[0].number == read["register"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Wind m/s", "No register is named"),
        ("31 Phase 1 V", "31 and 1 could each be the register"),
        ('31 "Phase 1', "A quote is not closed"),
        ("31 Serial text", "how long the text is"),
        ("31-30 Flow", "'31-30' ends before it begins"),
        ("31 Flow none=80x0", "'none=80x0' is not understood"),
        ("31 State 0 = off", "'=' is not understood"),
    ],
)
def test_a_line_that_is_not_clear_says_what_to_write(line: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_line(line)


@given(
    st.fixed_dictionaries(
        {
            "register": st.integers(0, 465536),
            "name": (
                st.lists(
                    st.sampled_from(
                        [
                            "Wind",
                            "V",
                            "1",
                            "fixed",
                            "RO",
                            "±1",
                            "x2",
                            "=7",
                            "a=b",
                            "fc3",
                            "[a]",
                            "0.1",
                            "3-4",
                        ]
                    ),
                    min_size=1,
                ).map(" ".join)
            ),
        },
        optional={
            "unit": st.sampled_from(["V", "°C", "pulses"]),
            "function": st.sampled_from([3, 4]),
            "length": st.just(2),
            "type": st.sampled_from(["uint32", "float32", "enum"]),
            "order": st.sampled_from(["CDAB", "DCBA"]),
            "scale": st.sampled_from([0.1, 0.001, 10.0]),
            "scale_register": st.fixed_dictionaries(
                {"register": st.integers(0, 9999), "means": st.sampled_from(["exponent", "factor"])}
            ),
            "offset": st.floats(-100, 100).map(lambda n: round(n, 2)),
            "names": st.just({"0": "all off", "1": "on"}),
            "no_value": st.just([0x8000, 0xFFFF]),
            "tells": st.just("serial"),
            "writable": st.booleans(),
            "tolerance": st.sampled_from([0.5, 2.0]),
            "tolerance_percent": st.sampled_from([1.0, 0.2]),
            "channel": st.sampled_from(["L1", "A 3"]),
            "description": st.just("sum of the phases"),
            "fixed": st.just(True),
            "shows": st.sampled_from([23.5, "ON", "AUTO 1"]),
        },
    )
)
def test_a_line_written_back_is_understood_as_the_same(point: dict[str, Any]) -> None:
    assert read_line(write_line(point)) == point


@given(st.text(max_size=40))
def test_whatever_is_typed_is_a_point_or_a_plain_sentence(line: str) -> None:
    try:
        assert isinstance(read_line(line)["register"], int)
    except UsageError as error:
        assert error.todo


def test_the_help_fits_beside_a_frame_and_a_scrollbar() -> None:
    assert max(map(len, SYNTAX.splitlines())) <= 70

"""Inputs of the calculations as they are typed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring import inputs
from busprobe.wiring.arithmetic.conductor import Drain
from busprobe.wiring.arithmetic.trunk import CableKind


def test_lists_are_read_as_they_are_written() -> None:
    """Loads one by one or so many times, comma or point; terminators that pass no direct current
    are none."""
    assert inputs.unit_loads("1 3x0,125") == (1.0, 0.125, 0.125, 0.125)
    assert inputs.terminators("120 150") == (120.0, 150.0)
    assert inputs.terminators("none") == inputs.terminators(" 0 ") == inputs.terminators("") == ()
    assert inputs.drains("50:0.1 120:0,2") == (Drain(50, 0.1), Drain(120, 0.2))
    assert inputs.cable_kind("Cat5") is CableKind.CATEGORY_5
    assert inputs.cable_loop("") == 0
    assert inputs.cable_loop("1000") == pytest.approx(168.4, abs=0.1)  # AWG24, cirris.com table
    assert inputs.cable_loop("100 0.75") == pytest.approx(5.2)  # 26 Ω/km, IEC 60228
    assert inputs.frame_bytes("01 03C5") == b"\x01\x03\xc5"
    assert (inputs.yes("Y", "the bias"), inputs.yes("no", "the bias")) == (True, False)
    assert inputs.whole("32", "The number", 1, 32) == 32


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (inputs.unit_loads, "much"),
        (inputs.unit_loads, "9999x1"),
        (inputs.unit_loads, "0x1"),
        (inputs.terminators, "120 ohm"),
        (inputs.drains, "50"),
        (inputs.drains, "50:a"),
        (inputs.cable_kind, "rope"),
        (inputs.cable_loop, "far"),
        (inputs.cable_loop, "300 thick"),
        (inputs.cable_loop, "-3"),
        (inputs.frame_bytes, "1"),
        (inputs.frame_bytes, ""),
        (lambda text: inputs.yes(text, "the bias"), "perhaps"),
        (lambda text: inputs.whole(text, "The number", 1, 32), "1.5"),
        (lambda text: inputs.whole(text, "The number", 1, 32), "33"),
        (lambda text: inputs.number(text, "the supply"), "inf"),
    ],
)
def test_what_is_no_figure_is_named_with_what_to_write(
    read: Callable[[str], Any], text: str
) -> None:
    with pytest.raises(UsageError) as error:
        read(text)
    assert error.value.todo


@settings(max_examples=100)
@given(st.text(max_size=12))
def test_no_text_makes_anything_but_a_clear_error(text: str) -> None:
    """Whatever is typed, it is read or refused."""
    for read in (
        lambda: inputs.unit_loads(text),
        lambda: inputs.terminators(text),
        lambda: inputs.drains(text),
        lambda: inputs.frame_bytes(text),
        lambda: inputs.cable_loop(text),
        lambda: inputs.whole(text, "It", 1, 5),
    ):
        try:
            read()
        except UsageError as error:
            assert error.what and error.todo

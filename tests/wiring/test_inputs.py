"""Figures as they are typed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring import figures
from busprobe.wiring.arithmetic.conductor import Drain
from busprobe.wiring.arithmetic.trunk import CableKind


def test_lists_are_read_as_they_are_written() -> None:
    """Loads one by one or so many times, comma or point; terminators that pass no direct current
    are none."""
    assert figures.unit_loads(["1", "3x0,125"]) == (1.0, 0.125, 0.125, 0.125)
    assert figures.terminators("120 150") == (120.0, 150.0)
    assert (
        figures.terminators("none") == figures.terminators(" 0 ") == figures.terminators("") == ()
    )
    assert figures.drains(["50:0.1", "120:0,2"]) == (Drain(50, 0.1), Drain(120, 0.2))
    assert figures.cabling("Cat5") is CableKind.CATEGORY_5
    assert figures.loop("") == 0
    assert figures.loop("1000") == pytest.approx(168.4, abs=0.1)  # AWG24, cirris.com table
    assert figures.loop("100 0.75") == pytest.approx(5.2)  # 26 Ω/km, IEC 60228
    assert figures.frame_bytes("01 03C5") == b"\x01\x03\xc5"
    assert (figures.yes("Y", "the bias"), figures.yes("no", "the bias")) == (True, False)
    assert figures.whole("32", "The number", 1, 32) == 32


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (lambda text: figures.unit_loads([text]), "much"),
        (lambda text: figures.unit_loads([text]), "9999x1"),
        (lambda text: figures.unit_loads([text]), "0x1"),
        (figures.terminators, "120 ohm"),
        (lambda text: figures.drains([text]), "50"),
        (lambda text: figures.drains([text]), "50:a"),
        (figures.cabling, "rope"),
        (figures.loop, "far"),
        (figures.loop, "300 thick"),
        (figures.loop, "-3"),
        (figures.frame_bytes, "1"),
        (figures.frame_bytes, ""),
        (lambda text: figures.yes(text, "the bias"), "perhaps"),
        (lambda text: figures.whole(text, "The number", 1, 32), "1.5"),
        (lambda text: figures.whole(text, "The number", 1, 32), "33"),
        (lambda text: figures.number(text, "the supply"), "inf"),
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
        lambda: figures.unit_loads(text.split()),
        lambda: figures.terminators(text),
        lambda: figures.drains([text]),
        lambda: figures.frame_bytes(text),
        lambda: figures.loop(text),
        lambda: figures.whole(text, "It", 1, 5),
    ):
        try:
            read()
        except UsageError as error:
            assert error.what.isprintable()

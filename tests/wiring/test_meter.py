"""Meter readings as they are typed."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring.meter import ohms, parse_resistance, parse_voltage, volts


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("61", 61.0),
        (" 61.5 ohm ", 61.5),
        ("61,5 Ω", 61.5),
        ("1.2k", 1200.0),
        ("1.2 kΩ", 1200.0),
        ("2M", 2e6),
        ("OL", math.inf),
        ("0.L", math.inf),
        ("open", math.inf),
        ("", None),
    ],
)
def test_resistances(text: str, value: float | None) -> None:
    """Plain numbers, prefixes, a decimal comma, a meter's overload, and nothing at all."""
    assert parse_resistance(text) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.3", 0.3),
        ("-0.25 V", -0.25),
        ("−0,25V", -0.25),
        ("+300 mV", 0.3),
        (".2", 0.2),
        ("24.", 24.0),
        ("  ", None),
    ],
)
def test_voltages(text: str, value: float | None) -> None:
    """The sign as the meter shows it, a typographic minus included."""
    parsed = parse_voltage(text)
    assert parsed == (None if value is None else pytest.approx(value))


@pytest.mark.parametrize("text", ["61 V", "1k2", "sixty", "-", "1e3", "0x10", "61 61", "-5", "nan"])
def test_what_is_no_resistance_is_refused(text: str) -> None:
    """A reading in volts, two numbers, a sign: refused with an example of what to write or do."""
    with pytest.raises(UsageError) as refusal:
        parse_resistance(text)
    assert refusal.value.todo


@pytest.mark.parametrize("text", ["0.3 ohm", "0.3k", "3 MV", "OL", "0.3.1", "--1"])
def test_what_is_no_voltage_is_refused(text: str) -> None:
    """A reading in ohms, and prefixes nobody measures on a bus."""
    with pytest.raises(UsageError, match="not a meter reading"):
        parse_voltage(text)


@given(st.text(max_size=12), st.sampled_from([parse_resistance, parse_voltage]))
def test_any_text_gives_a_number_or_a_plain_refusal(
    text: str, parse: Callable[[str], float | None]
) -> None:
    """Nothing that is typed raises anything else, and never a NaN."""
    try:
        value = parse(text)
    except UsageError:
        return
    assert value is None or not math.isnan(value)


@given(st.floats(-50, 50))
def test_written_voltages_read_back(value: float) -> None:
    """What is written is what can be typed."""
    assert parse_voltage(volts(value)) == pytest.approx(value, abs=0.06)


@given(st.floats(0, 1e6))
def test_written_resistances_read_back(value: float) -> None:
    """The same for resistances; kΩ keep two decimals."""
    assert parse_resistance(ohms(value)) == pytest.approx(value, abs=6)


def test_an_open_pair_is_written_in_words() -> None:
    """An infinite resistance is no number to anybody."""
    assert ohms(math.inf) == "open (overload)"

"""Line settings and times against the standard's own numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings, Parity

# MODBUS over Serial Line V1.02 section 2.5.1.1: timers follow the rate up to 19200 baud and are
# fixed above.  The section prints 750 µs and 1.750 ms; the other rows are computed from its rule
# with its 11-bit character.
STANDARD_TIMES = [
    # baud, 11-bit character ms, t1.5 ms, t3.5 ms
    (1200, 9.1667, 13.7500, 32.0833),
    (2400, 4.5833, 6.8750, 16.0417),
    (4800, 2.2917, 3.4375, 8.0208),
    (9600, 1.1458, 1.7188, 4.0104),
    (19200, 0.5729, 0.8594, 2.0052),
    (38400, 0.2865, 0.750, 1.750),
    (57600, 0.1910, 0.750, 1.750),
    (115200, 0.0955, 0.750, 1.750),
]


@pytest.mark.parametrize(("baud", "character", "t1_5", "t3_5"), STANDARD_TIMES)
def test_times_follow_the_standard(baud: int, character: float, t1_5: float, t3_5: float) -> None:
    """Character time, t1.5 and t3.5 are those of V1.02 section 2.5.1.1 for the standard's 11-bit
    character."""
    settings = LineSettings(baud, parity=Parity.EVEN)
    assert settings.character_time * 1000 == pytest.approx(character, abs=6e-5)
    assert settings.t1_5 * 1000 == pytest.approx(t1_5, abs=6e-5)
    assert settings.t3_5 * 1000 == pytest.approx(t3_5, abs=6e-5)


@pytest.mark.parametrize(
    ("text", "bits"), [("9600-8N1", 10), ("9600-8E1", 11), ("9600-8O1", 11), ("9600-8N2", 11)]
)
def test_bits_per_character(text: str, bits: int) -> None:
    """V1.02 section 2.5.1: 11 bits with parity or two stop bits; 8N1 is the 10-bit character
    outside the standard."""
    assert LineSettings.parse(text).bits_per_character == bits


def test_wire_time_of_a_request() -> None:
    """An 8-byte request takes 9.167 ms and a 256-byte frame 293.3 ms at 9600 baud with 11-bit
    characters (computed from V1.02 section 2.5.1)."""
    settings = LineSettings.parse("9600-8E1")
    assert settings.wire_time(8) * 1000 == pytest.approx(9.167, abs=1e-3)
    assert settings.wire_time(256) * 1000 == pytest.approx(293.3, abs=0.05)


def test_the_default_is_the_standards() -> None:
    """V1.02 sections 3.2 and 2.5.1: 19200 baud and even parity are the defaults."""
    assert str(LineSettings()) == "19200-8E1"


@given(st.sampled_from(COMMON_BAUDS), st.sampled_from(COMMON_FORMATS))
def test_printing_and_parsing_agree(baud: int, form: str) -> None:
    text = f"{baud}-{form}"
    assert str(LineSettings.parse(text)) == text
    assert str(LineSettings.parse(f"  {text.lower()} ")) == text


@given(st.text(max_size=12))
def test_anything_else_is_refused_in_plain_words(text: str) -> None:
    try:
        settings = LineSettings.parse(text)
    except UsageError as error:
        assert error.todo
    else:
        assert LineSettings.parse(str(settings)) == settings


@pytest.mark.parametrize(
    "text", ["", "9600", "9600-9N1", "9600-8X1", "9600-8N3", "0-8N1", "9600 8N1", "99999999-8N1"]
)
def test_malformed_settings_name_what_was_written(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        LineSettings.parse(text)
    assert text in caught.value.what or "not a usable" in caught.value.what


def test_seven_data_bits_are_refused_with_the_reason() -> None:
    """MODBUS over Serial Line V1.02, section 2.5.1: a character of RTU has 8 data bits."""
    with pytest.raises(UsageError) as refused:
        LineSettings.parse("9600-7E1")
    assert "8 data bits (MODBUS over Serial Line V1.02, section 2.5.1)" in str(refused.value)

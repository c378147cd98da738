"""Bits on the wire against the standard."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.settings import COMMON_FORMATS, LineSettings
from busprobe.wiring.arithmetic.bits import character_bits
from tests.wiring.bench import frame_bits

STANDARD = LineSettings.parse("9600-8E1")


@pytest.mark.parametrize(("form", "parity"), [("8E1", 0), ("8O1", 1)])
def test_parity_example_of_the_standard(form: str, parity: int) -> None:
    """MODBUS over Serial Line V1.02, section 2.6.1: 1100 0101 has four ones: even parity bit 0, odd
    1."""
    bits = character_bits(0b1100_0101, LineSettings.parse(f"9600-{form}"))
    assert bits == (0, 1, 0, 1, 0, 0, 0, 1, 1, parity, 1)


@given(st.binary(max_size=20), st.sampled_from(COMMON_FORMATS))
def test_bits_of_a_frame_take_its_wire_time(frame: bytes, form: str) -> None:
    """As many bits as the settings say, each character beginning with a start and ending with a
    stop bit."""
    settings = LineSettings.parse(f"19200-{form}")
    bits = frame_bits(frame, settings)
    width = settings.bits_per_character
    assert len(bits) * settings.bit_time == pytest.approx(settings.wire_time(len(frame)))
    assert all(
        bits[place] == 0 and bits[place + width - 1] == 1 for place in range(0, len(bits), width)
    )


def test_frames_of_the_standard_at_9600_baud() -> None:
    """V1.02, section 2.5.1: 11-bit characters; 8 bytes take 9.167 ms, the longest frame of 256
    bytes 293.3 ms."""
    assert 1000 * len(frame_bits(bytes(8), STANDARD)) * STANDARD.bit_time == pytest.approx(
        9.167, abs=0.001
    )
    assert 1000 * len(frame_bits(bytes(256), STANDARD)) * STANDARD.bit_time == pytest.approx(
        293.3, abs=0.05
    )

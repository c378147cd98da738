"""What bytes give away, against a sampling receiver and published captures."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus import framing
from busprobe.wiring.byte_patterns import (
    complement_like,
    mended_front,
    ones_added,
    single_pulses,
    tail_missing,
    times_too_fast,
)
from tests.wiring.bench import USUAL, frame_bits

FRAME = bytes.fromhex("01 03 00 00 00 01 84 0A")
REGISTERS = bytes.fromhex("01 04 08 00 D6 01 D1 00 00 03 E8") + framing.crc(
    bytes.fromhex("01 04 08 00 D6 01 D1 00 00 03 E8")
)


def heard(data: bytes, ratio: int = 1, *, inverted: bool = False) -> bytes:
    """`data` sent as 8N1, as a mid-bit sampling receiver `ratio` times as fast makes it out."""
    upright = [
        bit for bit in frame_bits(data, USUAL) for _ in range(2 * ratio)
    ]  # two samples a bit of the receiver's
    idle = 0 if inverted else 1
    levels = [idle, *((1 - bit if inverted else bit) for bit in upright), *[idle] * 40]
    found, place = [], 1
    while place + 19 < len(levels):
        if levels[place - 1] == 1 and levels[place] == 0:
            found.append(sum(levels[place + 2 * bit + 3] << bit for bit in range(8)))
            place += 19  # the middle of the stop bit
        place += 1
    return bytes(found)


@pytest.mark.parametrize("ratio", [2, 3, 4, 6, 8])
@given(data=st.binary(min_size=20, max_size=40))
def test_a_receiver_too_fast_is_told_by_how_much(ratio: int, data: bytes) -> None:
    """Whatever is sent: with enough edges in it, the ratio found is the true one, or a multiple
    that fits as well."""
    found = times_too_fast(heard(data, ratio))
    assert found is None or found % ratio == 0
    if (
        sum(value % 2 for value in data) > 4
    ):  # a one behind the start bit is an edge at any ratio up to 8
        assert found is not None


@pytest.mark.parametrize("ratio", [2, 4])
def test_the_frame_of_the_published_alphabet(ratio: int) -> None:
    """MODBUS over Serial Line V1.02, section 2.5.1, sampled: each bit twice, or four times."""
    assert times_too_fast(heard(FRAME, ratio)) == ratio


def test_sound_frames_are_neither_too_fast_nor_complements() -> None:
    """What arrives as it was sent has no pattern."""
    for frame in (FRAME, REGISTERS):
        assert times_too_fast(frame) is None
        assert not complement_like(frame)


@pytest.mark.parametrize("frame", [FRAME, REGISTERS])
def test_an_inverted_pair_turns_zeros_into_ones(frame: bytes) -> None:
    """The complement of a frame with register data in it."""
    assert complement_like(heard(frame, inverted=True))
    assert not complement_like(b"\xff" * 10)


def test_the_receiver_of_these_tests_is_sound() -> None:
    """At the sender's own rate it hears what was sent."""
    assert heard(FRAME) == FRAME
    assert heard(REGISTERS) == REGISTERS


@given(
    st.binary(min_size=3, max_size=30), st.integers(1, 3), st.booleans(), st.sampled_from([3, 4])
)
def test_a_cut_front_is_mended_to_the_frame_it_was(
    data: bytes, lost: int, garbled: bool, function: int
) -> None:
    """Bytes missing or replaced at the front are put back; the CRC decides."""
    data = data if len(data) % 2 == 0 else data[:-1]
    body = bytes([17, function, len(data)]) + data
    frame = body + framing.crc(body)
    left = (b"\x55" * lost if garbled else b"") + frame[lost:]
    assert mended_front([frame[:3]], left, function) == frame
    assert mended_front([frame[:3]], frame, function) is None
    assert mended_front([frame[:3]], left[:-1], function) is None
    assert mended_front([frame[:3]], left + b"\x00", function) is None


def test_only_added_ones_make_an_altered_echo() -> None:
    """A capture published in a forum, checked here: each byte heard holds all ones of the byte
    sent."""
    sent = bytes.fromhex("05 03 13 9A 00 01 A1 25")
    assert ones_added(sent, bytes.fromhex("F5 F3 D3 9A FE F9 B9 A5"))
    assert not ones_added(sent, sent)
    assert not ones_added(sent, b"\xff" * 8)
    assert not ones_added(sent, bytes.fromhex("05 03 13 9A 00 01 A1 24"))
    assert not ones_added(sent, sent[:5])


def test_an_echo_without_its_end() -> None:
    """The last byte or two missing or wrong; the whole frame or a reply is none."""
    assert tail_missing(FRAME, FRAME[:-1])
    assert tail_missing(FRAME, FRAME[:-2])
    assert tail_missing(FRAME, FRAME[:-1] + b"\xff")
    assert not tail_missing(FRAME, FRAME)
    assert not tail_missing(FRAME, FRAME[:3])
    assert not tail_missing(FRAME, REGISTERS)


def test_single_pulses() -> None:
    """One space from the start bit on, however long."""
    assert single_pulses(bytes.fromhex("FF FE FC F8 F0 E0 C0 80 00"))
    assert not single_pulses(b"\x7f")
    assert not single_pulses(b"\x01")

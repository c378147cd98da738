"""Frames found in what was heard."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus import framing
from busprobe.modbus.traffic import valid_frames

REQUEST = bytes.fromhex("11 03 00 7C 00 02 07 43")  # pymodbus test_framer.py
REPLY = bytes.fromhex("11 03 04 00 8D 00 8E FB BD")  # pymodbus test_framer.py


def test_another_masters_question_and_answer_are_both_found() -> None:
    frames = valid_frames(b"\x00" + REQUEST + REPLY + b"\xff\xff")
    assert [frame.data for frame in frames] == [REQUEST, REPLY]
    assert {frame.address for frame in frames} == {17}
    assert "17 (0x11)" in frames[0].words


def test_noise_is_no_frame() -> None:
    assert valid_frames(bytes(range(256))) == ()


def test_a_frame_may_begin_with_the_first_byte_and_end_with_the_last() -> None:
    assert [frame.data for frame in valid_frames(REQUEST)] == [REQUEST]
    assert valid_frames(REQUEST[:-1]) == ()


def test_an_address_that_no_unit_has_begins_no_frame() -> None:
    """1 to 247 are units and 0 the broadcast; 248 to 255 are reserved (Modbus over Serial Line
    V1.02, section 2.2)."""
    bodies = (bytes((address, 3, 0, 124, 0, 2)) for address in (0, 247, 248))
    assert [len(valid_frames(body + framing.crc(body))) for body in bodies] == [1, 1, 0]


@given(st.binary(max_size=200))
def test_any_bytes_can_be_searched(data: bytes) -> None:
    for frame in valid_frames(data):
        assert frame.data in data


def test_looking_for_frames_takes_time_in_proportion_to_the_bytes() -> None:
    """Counted in bytes that are looked at, not in seconds: no frame is longer than 256 bytes (V1.02
    section 2.5.1)."""
    looked_at: list[int] = []

    class Counted(bytes):
        def __getitem__(self, key: Any) -> Any:
            part = super().__getitem__(key)
            looked_at.append(len(part) if isinstance(key, slice) else 1)
            return part

    valid_frames(Counted(bytes(range(256)) * 20))
    assert sum(looked_at) <= 256 * 20 * 257

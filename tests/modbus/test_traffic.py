"""Frames found in what was heard."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus.traffic import sound_frames

REQUEST = bytes.fromhex("11 03 00 7C 00 02 07 43")  # pymodbus test_framer.py
REPLY = bytes.fromhex("11 03 04 00 8D 00 8E FB BD")  # pymodbus test_framer.py


def test_another_masters_question_and_answer_are_both_found() -> None:
    frames = sound_frames(b"\x00" + REQUEST + REPLY + b"\xff\xff")
    assert [frame.data for frame in frames] == [REQUEST, REPLY]
    assert {frame.address for frame in frames} == {17}
    assert "17 (0x11)" in frames[0].words


def test_noise_is_no_frame() -> None:
    assert sound_frames(bytes(range(256))) == ()


@given(st.binary(max_size=200))
def test_any_bytes_can_be_searched(data: bytes) -> None:
    for frame in sound_frames(data):
        assert frame.data in data

"""CRC and frame search against published vectors and an independent library."""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus import framing

# Bytes, CRC bytes on the wire, where they are published.
PUBLISHED = [
    ("02 07", "41 12", "MODBUS over Serial Line V1.02, appendix B"),
    ("01 03 00 05 00 01", "94 0B", "minimalmodbus 2.1.1 documentation, debug mode"),
    ("01 03 02 00 BA", "39 F7", "minimalmodbus 2.1.1 documentation, debug mode"),
    ("41 42 43 44 45", "0F 50", "minimalmodbus 2.1.1 tests"),
    ("11 03 00 7C 00 02", "07 43", "pymodbus test_framer.py"),
    ("11 03 04 00 8D 00 8E", "FB BD", "pymodbus test_framer.py"),
    ("11 83 02", "C1 34", "pymodbus test_framer.py"),
    ("00 83 02", "91 31", "pymodbus test_framer.py"),
    ("01 02 08 00 00 10", "7B A6", "minimalmodbus 2.1.1 tests"),
]


@pytest.mark.parametrize(("data", "wire", "source"), PUBLISHED)
def test_crc_of_published_frames(data: str, wire: str, source: str) -> None:
    assert framing.crc(bytes.fromhex(data)) == bytes.fromhex(wire), source


def test_crc_check_value_of_the_catalogue() -> None:
    """CRC-16/MODBUS: "123456789" gives 4B37 (catalogue of parametrised CRC algorithms); CRC-16/USB,
    which differs only in its final XOR, gives B4C8 and must not be taken for it."""
    assert framing.crc(b"123456789") == bytes.fromhex("37 4B")
    assert framing.crc(b"123456789") != bytes.fromhex("C8 B4")


@given(st.binary(max_size=256))
def test_crc_agrees_with_an_independent_library(data: bytes) -> None:
    assert framing.crc(data) == CrcModbus.calc(data).to_bytes(2, "little")


@given(st.binary(min_size=2, max_size=200), st.integers(0, 7), st.data())
def test_a_single_wrong_bit_is_never_sound(data: bytes, bit: int, drawn: st.DataObject) -> None:
    frame = bytearray(data + framing.crc(data))
    frame[drawn.draw(st.integers(0, len(frame) - 1))] ^= 1 << bit
    assert not framing.is_valid(bytes(frame))


def test_a_one_bit_wrong_crc_is_rejected() -> None:
    """pymodbus test_framer.py rejects 91 21 where 91 31 is right."""
    assert framing.is_valid(bytes.fromhex("00 83 02 91 31"))
    assert not framing.is_valid(bytes.fromhex("00 83 02 91 21"))

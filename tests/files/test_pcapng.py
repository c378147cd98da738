"""Captures of others, laid out byte by byte as the draft of the format shows them (IETF
draft-ietf-opsawg-pcapng); what is written here is read by a library in tests/line/test_trace.py."""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.files import pcapng
from busprobe.files.pcapng import Direction, Interface, Packet


def block(kind: int, body: bytes) -> bytes:
    """Figure 'Basic block structure', big-endian."""
    body += bytes(-len(body) % 4)
    length = struct.pack(">I", len(body) + 12)
    return struct.pack(">I", kind) + length + body + length


def option(code: int, value: bytes) -> bytes:
    return struct.pack(">HH", code, len(value)) + value + bytes(-len(value) % 4)


SECTION = block(0x0A0D0D0A, struct.pack(">IHHq", 0x1A2B3C4D, 1, 0, -1))
INTERFACE = block(
    1,
    struct.pack(">HHI", 250, 0, 0)
    + option(2, b"COM7\0ignored behind a zero")
    + option(3, b"9600-8N1")
    + option(9, b"\x09")  # if_tsresol: nanoseconds
    + option(14, struct.pack(">q", 1000)),  # if_tsoffset: seconds
)
"""No opt_endofopt, which readers must not rely on."""
PACKET = block(
    6,
    struct.pack(">5I", 0, 1, 705032704, 3, 3)  # 2^32 + 705032704 = 5 * 10^9 nanoseconds
    + b"abc\0"
    + option(2, struct.pack(">I", 1 | 1 << 31))
    + option(0xC250, b"mine")
    + option(0, b""),
)
UNKNOWN = block(0x40000BAD, b"a block that nobody here knows")


def read(data: bytes) -> list[Packet]:
    return list(pcapng.read(io.BytesIO(data)))


def test_a_big_endian_file_of_others_is_read() -> None:
    (packet,) = read(SECTION + INTERFACE + UNKNOWN + PACKET)
    assert packet.interface == Interface(250, "COM7", "9600-8N1")
    assert packet.at == 1005 * 10**6
    assert (packet.data, packet.direction, packet.faulty) == (b"abc", Direction.INBOUND, True)
    assert packet.local == ((0xC250, b"mine"),)


def test_sections_one_after_the_other_have_interfaces_of_their_own() -> None:
    little = pcapng.section("x") + pcapng.interface(Interface(1, "other"))
    mine = Packet(Interface(1, "other"), 7, b"z", Direction.OUTBOUND, comment="so")
    first, second = read(SECTION + INTERFACE + PACKET + little + pcapng.packet(mine, 0))
    assert (first.interface.name, second) == ("COM7", mine)


WHOLE = SECTION + INTERFACE + PACKET + UNKNOWN + PACKET


@pytest.mark.parametrize("length", range(len(WHOLE)))
def test_a_file_that_is_cut_off_gives_what_is_before_the_cut(length: int) -> None:
    """A program that is killed leaves such a file."""
    got = []
    ends = {len(SECTION), len(SECTION + INTERFACE), len(SECTION + INTERFACE + PACKET)}
    ends.add(len(WHOLE) - len(PACKET))
    reader = pcapng.read(io.BytesIO(WHOLE[:length]))
    if length in ends:
        got = list(reader)
    else:
        with pytest.raises(ValueError, match=r"cut off|empty"):
            got.extend(reader)
    assert len(got) == (length >= len(SECTION + INTERFACE + PACKET))


@given(st.data())
def test_a_damaged_file_is_read_or_told(data: st.DataObject) -> None:
    damaged = bytearray(WHOLE)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    try:
        read(bytes(damaged))
    except ValueError as error:
        assert str(error)


@given(st.binary(max_size=80))
def test_any_other_file_is_told(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"no pcapng file|empty|cut off"):
        read(b"x" + data)

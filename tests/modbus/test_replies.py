"""Replies judged: each way a reply is right or wrong has its own verdict."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pymodbus.constants import ExcCodes

from busprobe.line.echo import Echo
from busprobe.line.exchange import Ending, Exchange
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus import framing
from busprobe.modbus.replies import EXCEPTION_NAMES, Reply, Verdict, exception_name, judge
from busprobe.modbus.requests import (
    Function,
    Request,
    read_device_identification,
    read_registers,
    report_server_id,
    return_query_data,
    write_register,
    write_registers,
)

READ = read_registers(1, Function.READ_HOLDING_REGISTERS, 107, 3)
REPLY = bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")
REQUESTS = [
    READ,
    read_registers(1, Function.READ_INPUT_REGISTERS, 8, 1),
    write_register(1, 1, 3),
    write_registers(1, 1, [10, 258]),
    return_query_data(1),
    report_server_id(1),
    read_device_identification(1),
]


def reply_to(request: Request, received: bytes | str) -> Reply:
    """`received` judged as the reply to `request`."""
    data = bytes.fromhex(received) if isinstance(received, str) else received
    chunks = (Chunk(1.0, data),) if data else ()
    exchange = Exchange(
        request.frame, LineSettings(), 0.0, 0.5, 1.5, chunks, Echo.NONE, Ending.SILENCE
    )
    return judge(request, exchange)


def framed(body: str) -> bytes:
    """`body` with its CRC."""
    data = bytes.fromhex(body)
    return data + framing.crc(data)


# Replies of MODBUS Application Protocol V1.1b3's worked examples as frames of unit 1.
@pytest.mark.parametrize(
    ("request_", "received"),
    [
        (READ, "01 03 06 02 2B 00 00 00 64 05 7A"),  # section 6.3
        (
            read_registers(1, Function.READ_INPUT_REGISTERS, 8, 1),
            "01 04 02 00 0A 39 37",
        ),  # section 6.4
        (write_register(1, 1, 3), "01 06 00 01 00 03 98 0B"),  # section 6.6
        (return_query_data(1), "01 08 00 00 A5 37 DA 8D"),  # section 6.8.2
        (write_registers(1, 1, [10, 258]), "01 10 00 01 00 02 10 08"),  # section 6.12
    ],
)
def test_the_standards_replies_are_sound(request_: Request, received: str) -> None:
    reply = reply_to(request_, received)
    assert reply.verdict is Verdict.OK
    assert reply.present
    assert request_.is_complete(bytes.fromhex(received))


def test_registers_of_the_standards_example() -> None:
    """V1.1b3 section 6.3: registers 108 to 110 hold 555, 0 and 100."""
    assert reply_to(READ, REPLY).registers == (555, 0, 100)


@pytest.mark.parametrize(
    ("received", "code", "name"),
    [
        ("01 83 02 C0 F1", 2, "2, illegal data address"),
        ("01 83 01 80 F0", 1, "1, illegal function"),
    ],
)
def test_an_exception_is_named_and_is_presence(received: str, code: int, name: str) -> None:
    """V1.1b3 section 7; the first frame's CRC is published with the standard's example for unit
    1."""
    reply = reply_to(READ, received)
    assert reply.verdict is Verdict.EXCEPTION
    assert reply.exception == code
    assert reply.present
    assert not reply.valid
    assert exception_name(code) == name
    assert name in reply.words


@pytest.mark.parametrize("code", [10, 11])
def test_a_gateways_exception_is_no_presence(code: int) -> None:
    """V1.1b3 section 7: codes 0A and 0B come from a gateway whose target did not respond."""
    reply = reply_to(READ, framed(f"01 83 {code:02X}"))
    assert reply.verdict is Verdict.EXCEPTION
    assert not reply.present


def test_the_exception_codes_are_the_standards() -> None:
    """V1.1b3 section 7 as pymodbus has it, which also keeps code 7 of older editions."""
    assert {code.value for code in ExcCodes} - {7} == set(EXCEPTION_NAMES)
    assert exception_name(6) == "6, server device busy"
    assert exception_name(7) == "7, not in the standard"
    assert exception_name(10) == "10, gateway path unavailable"


@pytest.mark.parametrize(
    ("chunks", "latency"),
    [
        ([(0.6, REPLY)], 0.1 - 11 * 11 / 19200),  # stamped when the last of 11 characters was there
        ([(0.6, b"\x00\x00" + REPLY)], 0.1 - 11 * 11 / 19200),  # junk ahead is no reply yet
        ([(0.55, b"\x00" + REPLY[:4]), (0.6, REPLY[4:])], 0.05 - 4 * 11 / 19200),
        ([(0.52, b"\x00"), (0.6, REPLY)], 0.1 - 11 * 11 / 19200),
        ([(0.501, REPLY)], 0.0),  # a stamp that came too early makes no negative time
    ],
)
def test_latency_ends_where_the_frame_begins(
    chunks: list[tuple[float, bytes]], latency: float
) -> None:
    """Eleven bits a character at 19200-8E1, the standard's default; the request was out at 0.5
    s."""
    received = tuple(Chunk(at, data) for at, data in chunks)
    exchange = Exchange(
        READ.frame, LineSettings(), 0.0, 0.5, 1.5, received, Echo.NONE, Ending.SILENCE
    )
    assert judge(READ, exchange).latency == pytest.approx(latency)


def test_silence() -> None:
    reply = reply_to(READ, b"")
    assert reply.verdict is Verdict.SILENT
    assert not reply.present
    assert reply.words == "no reply within 1000 ms"


def test_a_foreign_address_is_shown_not_dropped() -> None:
    reply = reply_to(READ, framed("07 03 06 02 2B 00 00 00 64"))
    assert reply.verdict is Verdict.FOREIGN
    assert reply.address == 7
    assert not reply.present
    assert "asked 1, answered as 7" in reply.words


def test_junk_around_a_sound_reply_is_kept_apart() -> None:
    reply = reply_to(READ, b"\x00" + REPLY + b"\x00\x00")
    assert reply.verdict is Verdict.OK_AFTER_STRAY_BYTES
    assert (reply.stray_before, reply.frame, reply.stray_after) == (b"\x00", REPLY, b"\x00\x00")
    assert reply.registers == (555, 0, 100)


def test_trailing_zeros_that_are_the_crc_are_not_stripped() -> None:
    """A CRC can end in 00: the reply is cut by its declared length."""
    body = next(
        data for value in range(0x10000) if (data := framed(f"01 04 02 {value:04X}"))[-1] == 0
    )
    reply = reply_to(read_registers(1, Function.READ_INPUT_REGISTERS, 0, 1), body + b"\x00")
    assert reply.verdict is Verdict.OK
    assert reply.frame == body
    assert reply.stray_after == b"\x00"


def test_a_wrong_byte_count_with_a_right_crc_is_a_unit_that_does_not_conform() -> None:
    for body in ("01 03 04 02 2B 00 00", "01 03 4A 02 2B 00 00 00 64", "01 03 02 2B 00 00"):
        reply = reply_to(READ, framed(body))
        assert reply.verdict is Verdict.NOT_CONFORMING, body
        assert reply.present
        assert not reply.valid
        assert reply.registers == ()


def test_a_wrong_function_code_of_another_unit_or_kind_is_no_sound_reply() -> None:
    reply = reply_to(READ, framed("01 04 06 02 2B 00 00 00 64"))
    assert not reply.valid
    assert reply.verdict in (Verdict.CRC_BAD, Verdict.NOT_CONFORMING)


def test_swapped_crc_bytes_are_named() -> None:
    reply = reply_to(READ, REPLY[:-2] + REPLY[:-3:-1])
    assert reply.verdict is Verdict.CRC_SWAPPED
    assert not reply.present, "one such frame may be chance; who asks twice decides"


def test_a_good_head_with_a_bad_tail() -> None:
    """The picture of two units answering at once: the head they share survives."""
    # The AND of two replies that differ in one value, as two drivers on one pair yield it when a
    # space wins.
    first, second = framed("01 03 02 01 2C"), framed("01 03 02 01 31")
    mixed = bytes(a & b for a, b in zip(first, second, strict=True))
    assert mixed == bytes.fromhex("01 03 02 01 20 38 00")
    reply = reply_to(read_registers(1, Function.READ_HOLDING_REGISTERS, 0, 1), mixed)
    assert reply.verdict is Verdict.CRC_BAD_HEAD_OK


def test_bytes_of_the_right_number_and_nothing_else_are_a_bad_crc() -> None:
    reply = reply_to(READ, bytes.fromhex("FF 01 06 02 2B 00 00 00 64 05 7A"))
    assert reply.verdict is Verdict.CRC_BAD


def test_bytes_that_are_no_frame_are_garbage() -> None:
    assert reply_to(READ, "7F 7E FF FF FD F7 3D").verdict is Verdict.GARBAGE


def test_a_shorter_valid_window_inside_a_longer_reply_is_not_found() -> None:
    """Asked for 9 registers, a unit returns values that happen to look like a whole reply of its
    own."""
    inner = framed("01 03 02 00 07")
    request = read_registers(1, Function.READ_HOLDING_REGISTERS, 0, 5)
    whole = framed("01 03 0A " + inner.hex() + "00 00 00")
    assert reply_to(request, whole).frame == whole


def test_a_write_reply_must_name_what_was_written() -> None:
    """V1.1b3 section 6.12: the reply repeats starting address and quantity."""
    reply = reply_to(write_registers(1, 1, [10, 258]), framed("01 10 00 02 00 02"))
    assert reply.verdict is Verdict.NOT_CONFORMING


def test_both_words_of_the_exchange_are_in_words() -> None:
    assert "01 03 06 02 2B 00 00 00 64 05 7A" in reply_to(READ, REPLY).words


@given(st.sampled_from(REQUESTS), st.binary(max_size=300))
@example(READ, b"\x01\x83")
@example(read_device_identification(1), bytes.fromhex("01 2B 0E 01 01 00 00 FF 00 16"))
def test_any_bytes_give_a_verdict(request_: Request, received: bytes) -> None:
    """Never an error, and a sound verdict only over a frame of the asked unit with a right CRC."""
    reply = reply_to(request_, received)
    assert (reply.verdict is Verdict.SILENT) == (not received)
    if reply.valid or reply.present:
        assert framing.is_valid(reply.frame)
        assert reply.frame[0] == request_.address
    if reply.verdict is not Verdict.GARBAGE and reply.frame:
        assert reply.stray_before + reply.frame + reply.stray_after == received


@given(
    st.sampled_from(REQUESTS), st.binary(max_size=60), st.binary(max_size=6), st.binary(max_size=6)
)
def test_frames_of_the_asked_unit_amid_junk_never_raise(
    request_: Request, body: bytes, before: bytes, after: bytes
) -> None:
    head = request_.frame[:2] + body
    received = before + head + framing.crc(head) + after
    reply = reply_to(request_, received)
    assert reply.words
    request_.is_complete(received)


@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=125), st.integers(1, 247))
def test_any_values_read_come_back_as_they_were(values: list[int], address: int) -> None:
    request = read_registers(address, Function.READ_HOLDING_REGISTERS, 0, len(values))
    data = b"".join(value.to_bytes(2, "big") for value in values)
    body = bytes([address, 3, len(data)]) + data
    reply = reply_to(request, body + framing.crc(body))
    assert reply.verdict is Verdict.OK
    assert reply.registers == tuple(values)


def test_what_is_told_of_a_sender_without_a_pause_is_as_long_as_a_frame_may_be() -> None:
    request = read_registers(1, Function.READ_HOLDING_REGISTERS, 0, 1)
    words = reply_to(request, b"\x55" * 1024).words
    assert words.endswith("and 768 bytes more")
    assert words.count("55") == 256

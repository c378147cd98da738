"""Requests against the standard's worked examples."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus.framing import crc
from busprobe.modbus.requests import (
    Function,
    Request,
    parse_request,
    read_device_identification,
    read_registers,
    report_server_id,
    return_query_data,
    write_register,
    write_registers,
)

# PDUs are the worked examples of MODBUS Application Protocol V1.1b3 (section beside each); as
# frames of unit 1 their CRCs are computed by the definition in MODBUS over Serial Line V1.02
# section 2.5.1.2.
EXAMPLES = [
    (read_registers(1, Function.READ_HOLDING_REGISTERS, 0x6B, 3), "01 03 00 6B 00 03 74 17", "6.3"),
    (read_registers(1, Function.READ_INPUT_REGISTERS, 8, 1), "01 04 00 08 00 01 B0 08", "6.4"),
    (write_register(1, 1, 3), "01 06 00 01 00 03 98 0B", "6.6"),
    (return_query_data(1), "01 08 00 00 A5 37 DA 8D", "6.8.2"),
    (write_registers(1, 1, [0x000A, 0x0102]), "01 10 00 01 00 02 04 00 0A 01 02 92 30", "6.12"),
    (report_server_id(1), "01 11 C0 2C", "6.13"),
    (read_device_identification(1), "01 2B 0E 01 00 70 77", "6.21"),
    (read_device_identification(1, code=2), "01 2B 0E 02 00 70 87", "6.21"),
    (read_device_identification(1, code=4), "01 2B 0E 04 00 73 27", "6.21"),
]


@pytest.mark.parametrize(("request_", "frame", "section"), EXAMPLES)
def test_frames_are_the_standards(request_: Request, frame: str, section: str) -> None:
    assert request_.frame == bytes.fromhex(frame), section


@pytest.mark.parametrize(("request_", "frame", "section"), EXAMPLES)
def test_a_frame_is_read_back_as_its_request(request_: Request, frame: str, section: str) -> None:
    assert parse_request(bytes.fromhex(frame)) == request_, section


@given(address=st.integers(0, 255), function=st.sampled_from(Function), data=st.binary(max_size=40))
def test_any_frame_is_read_back_as_itself_or_not_at_all(
    address: int, function: Function, data: bytes
) -> None:
    body = bytes((address, function)) + data
    parsed = parse_request(body + crc(body))
    assert parsed is None or parsed.frame == body + crc(body)


# minimalmodbus 2.1.1 documentation prints this request; the next two are tutorials' and a public C
# source's.
@pytest.mark.parametrize(
    ("request_", "frame"),
    [
        (read_registers(1, Function.READ_HOLDING_REGISTERS, 5, 1), "01 03 00 05 00 01 94 0B"),
        (read_registers(1, Function.READ_HOLDING_REGISTERS, 0, 2), "01 03 00 00 00 02 C4 0B"),
        (read_registers(0x11, Function.READ_HOLDING_REGISTERS, 0x7C, 2), "11 03 00 7C 00 02 07 43"),
    ],
)
def test_frames_agree_with_other_libraries(request_: Request, frame: str) -> None:
    assert request_.frame == bytes.fromhex(frame)


def test_words_say_what_a_write_does_in_decimal_and_hex() -> None:
    words = write_registers(1, 0x0101, [32]).words
    assert "32 (0x0020)" in words
    assert "257 (0x0101)" in words
    assert "unit 1 (0x01)" in words
    assert "function code 16" in words


def test_only_codes_6_and_8_are_mirrored() -> None:
    """V1.1b3 sections 6.6 and 6.8.2: the reply is the request."""
    mirrored = {request.function for request, _, _ in EXAMPLES if request.mirrored}
    assert mirrored == {Function.WRITE_SINGLE_REGISTER, Function.DIAGNOSTICS}


@pytest.mark.parametrize("count", [0, 126])
def test_more_registers_than_a_frame_holds_cannot_be_asked(count: int) -> None:
    """V1.1b3 section 6.3: 1 to 125 registers."""
    with pytest.raises(ValueError, match="count"):
        read_registers(1, Function.READ_HOLDING_REGISTERS, 0, count)

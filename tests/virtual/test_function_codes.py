"""Requests served by a unit, against MODBUS Application Protocol V1.1b3."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.place import Place
from busprobe.virtual.function_codes import FunctionCodes
from busprobe.virtual.register_table import RegisterTable
from busprobe.virtual.schema import UnitType
from busprobe.virtual.unit_settings import UnitSettings


def bits(layout: str) -> list[bool]:
    """As many zeros as there are leading blanks, then the bits of the bytes, the lowest first."""
    data = bytes.fromhex(layout)
    ahead = len(layout) - len(layout.lstrip())
    return [False] * ahead + [bool(byte >> place & 1) for byte in data for place in range(8)]


def server(**changes: Any) -> FunctionCodes:
    """A unit with the registers of the standard's examples (sections 6.3, 6.4, 6.6 and 6.12)."""
    words = {107: 555, 108: 0, 109: 100, 1: 0, 2: 0}
    kind = UnitType.model_validate(
        {
            "maker": "Nobody",
            "model": "N-1",
            "settings": "9600-8N1",
            "functions": [1, 2, 3, 4, 6, 8, 16, 17, 43],
            "coils": bits(19 * " " + "CD 6B 05"),
            "discrete_inputs": bits(196 * " " + "AC DB 35"),
            "server_id": "N-1 {serial}",
            "holding": [
                {"name": f"h{at}", "at": at, "type": "uint16", "value": word, "writable": at < 100}
                for at, word in words.items()
            ],
            "input": [{"name": "i", "at": 8, "type": "uint16", "value": 10}],
            "identification": {
                "0": "Company identification",
                "1": "Product code XX",
                "2": "V2.11",
                "0x80": "{serial}",
            },
            "readdress": {"at": 20, "functions": [6], "lowest": 1, "highest": 99},
            **changes,
        }
    )
    holding, input_ = (RegisterTable(table, {}, "S7") for table in (kind.holding, kind.input))
    return FunctionCodes(kind, "S7", holding, input_, UnitSettings(kind, Place(1, kind.settings)))


def reply(request: str, **changes: Any) -> str | None:
    """The reply PDU in hex."""
    answer = server(**changes).reply(bytes.fromhex(request), 0.0)
    return None if answer is None else answer.hex(" ").upper()


@pytest.mark.parametrize(
    ("request_pdu", "expected"),
    [
        ("01 00 13 00 13", "01 03 CD 6B 05"),  # section 6.1
        ("02 00 C4 00 16", "02 03 AC DB 35"),  # section 6.2
        ("01 FF FF 00 01", "81 02"),
        ("02 00 C4 07 D1", "82 03"),  # more than 2000
        ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),  # section 6.3
        ("04 00 08 00 01", "04 02 00 0A"),  # section 6.4
        ("06 00 01 00 03", "06 00 01 00 03"),  # section 6.6
        ("08 00 00 A5 37", "08 00 00 A5 37"),  # section 6.8.2
        ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),  # section 6.12
        ("11", "11 07 4E 2D 31 20 53 37 FF"),  # section 6.13: count, id, run indicator
    ],
)
def test_the_examples_of_the_standard(request_pdu: str, expected: str) -> None:
    assert reply(request_pdu) == expected


def test_device_identification_as_in_the_standard() -> None:
    """Section 6.21, with lengths that are right: the printed example's are not."""
    answer = server(
        identification={"0": "Company identification", "1": "Product code XX", "2": "V2.11"}
    ).reply(bytes.fromhex("2B 0E 01 00"), 0.0)
    objects = (
        "00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 6F 6E "
        "01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58 02 05 56 32 2E 31 31"
    )
    assert answer == bytes.fromhex("2B 0E 01 81 00 00 03" + objects)


@pytest.mark.parametrize(
    ("request_pdu", "expected"),
    [
        (
            "2B 0E 04 80",
            "2B 0E 04 83 00 00 01 80 02 53 37",
        ),  # one object, with the serial number in its text
        ("2B 0E 04 05", "AB 02"),  # unknown object alone
        ("2B 0E 03 80", "2B 0E 03 83 00 00 01 80 02 53 37"),  # the stream goes on at that object
        ("2B 0E 05 00", "AB 03"),  # no such access
        ("2B 0D 01 00", "AB 01"),  # another MEI type
    ],
)
def test_device_identification_access(request_pdu: str, expected: str) -> None:
    assert reply(request_pdu) == expected


def test_an_unknown_object_restarts_the_stream() -> None:
    """Section 6.21: a stream asked from an object that is not there begins at object 0."""
    assert reply("2B 0E 03 33") == reply("2B 0E 03 00")


def test_identification_longer_than_a_frame_comes_in_parts() -> None:
    objects = {str(n): chr(65 + n) * 100 for n in range(3)}
    first = server(identification=objects).reply(bytes.fromhex("2B 0E 01 00"), 0.0)
    assert first is not None
    assert len(first) <= 253
    assert first[4:7] == bytes((0xFF, 2, 2))  # more follows, from object 2, two objects here
    rest = server(identification=objects).reply(bytes.fromhex("2B 0E 01 02"), 0.0)
    assert rest is not None
    assert rest[4:7] == bytes((0, 0, 1))


@pytest.mark.parametrize(
    ("request_pdu", "expected"),
    [
        ("05 00 00 FF 00", "85 01"),  # a function it does not know
        ("03 00 6B 00 00", "83 03"),  # no quantity
        ("03 00 6B 00 7E", "83 03"),  # 126 registers
        ("03 00 6B 00 04", "83 02"),  # one register too far
        ("04 FF FF 00 02", "84 02"),  # past the last register
        ("06 00 6B 00 01", "86 02"),  # read only
        ("10 00 01 00 02 02 00 0A", "90 03"),  # byte count and quantity disagree
        ("10 00 01 00 00 00", "90 03"),
        ("08 00 04 00 00", "88 01"),  # listen only: not supported here
        ("06 00 14 00 64", "86 03"),  # an address above the highest
        ("10 00 14 00 01 02 00 05", "90 02"),  # the address register does not take function 16
    ],
)
def test_exceptions_in_the_standards_order(request_pdu: str, expected: str) -> None:
    """Section 7 and the flow charts of section 6."""
    assert reply(request_pdu) == expected


@pytest.mark.parametrize(
    "request_pdu",
    [
        "03 00 6B 00",  # a byte short
        "03 02 00 05",  # another unit's reply
        "83 02",  # its exception
        "10 00 01 00 02",  # its reply to a write
        "10 00 01 00 02 04 00 0A",  # fewer bytes than it says
        "11 03 41 42 FF",
        "2B 0E 01 81 00 00 00",
        "00",
    ],
)
def test_what_is_no_request_gets_no_reply(request_pdu: str) -> None:
    assert reply(request_pdu) is None


def test_a_silent_unit_says_nothing_where_others_refuse() -> None:
    assert reply("03 00 00 00 01", errors="silence") is None
    assert reply("03 00 6B 00 01", errors="silence") == "03 02 02 2B"


def test_a_written_register_reads_back() -> None:
    unit = server()
    unit.reply(bytes.fromhex("10 00 01 00 02 04 00 0A 01 02"), 0.0)
    assert unit.reply(bytes.fromhex("03 00 01 00 02"), 5.0) == bytes.fromhex("03 04 00 0A 01 02")


def test_a_new_address_is_stored() -> None:
    unit = server()
    assert unit.reply(bytes.fromhex("06 00 14 00 63"), 0.0) == bytes.fromhex("06 00 14 00 63")
    assert unit.reply(bytes.fromhex("03 00 14 00 01"), 1.0) == bytes.fromhex("03 02 00 63")


@given(st.binary(min_size=1, max_size=253))
@settings(max_examples=150)
def test_anything_gets_a_reply_of_its_function_an_exception_or_nothing(pdu: bytes) -> None:
    answer = server().reply(pdu, 0.0)
    if answer is None:
        assert pdu[0] in (0, 1, 2, 3, 4, 6, 8, 16, 17, 43) or pdu[0] > 127
    elif answer[0] == pdu[0]:
        assert len(answer) <= 253
    else:
        assert answer[0] == pdu[0] | 0x80
        assert len(answer) == 2

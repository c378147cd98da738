"""Identification objects and server ids, with hostile text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.modbus import framing
from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.requests import read_device_identification, report_server_id
from tests.modbus.test_replies import framed, reply_to


def identification(body: bytes) -> bytes:
    head = b"\x01" + body
    return head + framing.crc(head)


def test_the_standards_strings() -> None:
    """A PDU built from the strings of MODBUS Application Protocol V1.1b3, section 6.21; CRC FC 21
    computed."""
    pdu = bytes.fromhex(
        "2B 0E 01 01 00 00 03 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 6F"
        " 6E01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58 02 05 56 32 2E 31 31"
    )
    frame = identification(pdu)
    assert frame[-2:] == bytes.fromhex("FC 21")
    reply = reply_to(read_device_identification(1), frame)
    page = identification_page(reply)
    assert page.objects == {0: "Company identification", 1: "Product code XX", 2: "V2.11"}
    assert page.next_object is None


def test_objects_of_the_pymodbus_test_suite() -> None:
    """Second vector, from pymodbus test_mei_messages.py."""
    pdu = (
        bytes.fromhex("2B 0E 01 83 00 00 03 00 07") + b"Company" + b"\x01\x07Product\x02\x07v2.1.12"
    )
    page = identification_page(reply_to(read_device_identification(1), identification(pdu)))
    assert page.objects == {0: "Company", 1: "Product", 2: "v2.1.12"}


def test_a_wrong_object_count_is_read_all_the_same() -> None:
    """The standard's own two-part example prints a count of 3 over two objects (errata of section
    6.21)."""
    pdu = bytes.fromhex("2B 0E 01 01 FF 02 03 00 02") + b"AB" + b"\x01\x02CD"
    reply = reply_to(read_device_identification(1), identification(pdu))
    assert reply.valid
    page = identification_page(reply)
    assert page.objects == {0: "AB", 1: "CD"}
    assert page.next_object == 2


def test_text_from_a_unit_cannot_carry_control_codes() -> None:
    """A terminal escape in a vendor name is shown as what it was."""
    hostile = b"\x1b[31mX\x07"
    pdu = bytes.fromhex("2B 0E 01 01 00 00 01 00") + bytes([len(hostile)]) + hostile
    page = identification_page(reply_to(read_device_identification(1), identification(pdu)))
    assert page.objects[0] == "\\x1b[31mX\\x07"


def test_server_id_and_run_indicator() -> None:
    """V1.1b3 section 6.13 leaves the layout to the maker; the run indicator FF or 00 stands behind
    the id."""
    found = server_id(reply_to(report_server_id(1), framed("01 11 06 41 54 2D 31 30 FF")))
    assert (found.text, found.running) == ("AT-10", True)
    found = server_id(reply_to(report_server_id(1), framed("01 11 02 41 42")))
    assert (found.text, found.running) == ("AB", None)


@pytest.mark.parametrize("take_apart", [identification_page, server_id])
def test_only_sound_replies_are_taken_apart(take_apart) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match="valid"):
        take_apart(reply_to(report_server_id(1), b""))


@given(st.binary(max_size=120))
def test_any_identification_body_is_sound_and_readable_or_neither(body: bytes) -> None:
    reply = reply_to(read_device_identification(1), identification(b"\x2b\x0e\x01" + body))
    if reply.valid:
        for text in identification_page(reply).objects.values():
            assert text.isprintable()

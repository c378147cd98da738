"""What units say of themselves: device identification (43/14) and server id (17).

Source: MODBUS Application Protocol V1.1b3, sections 6.21 and 6.13.  Both are optional; a unit
without them is no worse.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Function
from busprobe.text import from_device

OBJECT_NAMES = {
    0: "VendorName",
    1: "ProductCode",
    2: "MajorMinorRevision",
    3: "VendorUrl",
    4: "ProductName",
    5: "ModelName",
    6: "UserApplicationName",
}
"""Names of the standard's identification objects."""

BASIC_OBJECTS = (0, 1, 2)
"""Vendor, product and revision, which every unit with device identification has."""

FIRST_OWN_OBJECT = 0x80
"""Objects from here on belong to the maker (V1.1b3 section 6.21)."""


def object_name(number: int) -> str:
    """How an identification object is called: ``VendorName``, ``object 0x80``."""
    return OBJECT_NAMES.get(number, f"object 0x{number:02X}")


@dataclass(frozen=True)
class IdentificationPage:
    """The objects of one reply; long identifications take several."""

    objects: Mapping[int, str]
    """Object id to text, made harmless."""
    next_object: int | None
    """The object to go on with, None when this was all."""


def identification_page(reply: Reply) -> IdentificationPage:
    """Take apart a valid reply to a device identification request.

    Length bytes are trusted and object counts are not, since the standard's own example miscounts.
    """
    if not reply.valid or reply.request.function is not Function.READ_DEVICE_IDENTIFICATION:
        raise ValueError("not a valid device identification reply")
    pdu = ReadDeviceInformationResponse()
    pdu.decode(reply.frame[2:-2])
    objects = {}
    for number, value in pdu.information.items():
        raw = (
            value[0] if isinstance(value, list) else value
        )  # a repeated object: the first one counts
        objects[number] = from_device(bytes(raw))
    return IdentificationPage(objects, pdu.next_object_id if pdu.more_follows else None)


@dataclass(frozen=True)
class ServerId:
    """A server id; its layout is up to the maker but for the run indicator most put behind it."""

    text: str
    """The id with everything unprintable written out."""
    running: bool | None
    """The run indicator where there is one (FF is on, 00 is off)."""


def server_id(reply: Reply) -> ServerId:
    """Take apart a valid reply to a server id request."""
    if not reply.valid or reply.request.function is not Function.REPORT_SERVER_ID:
        raise ValueError("not a valid server id reply")
    data = reply.frame[3:-2]
    if data[-1:] in (b"\x00", b"\xff"):
        return ServerId(from_device(data[:-1]), data[-1:] == b"\xff")
    return ServerId(from_device(data), None)

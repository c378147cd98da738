"""A W3C Web of Things Thing Description for each unit: ``thing-012-9600-8N1.td.json``.

Sources: Web of Things (WoT) Thing Description 1.1, W3C Recommendation; for the terms that begin
with ``modv:`` Web of Things (WoT) Modbus Binding, W3C Editor's Draft, a work in progress
(repository state of 1 December 2025), sections "URL format" and "Modbus Vocabulary".

What that draft cannot say is put in a private note, `NOTE`: it knows modbus+tcp alone and no serial
line, so a unit on an RS-485 pair is described as reached through a gateway whose name is left open;
and it has no scale, no offset, no code for *no value* and no silence before a request.  Only
reading is described: nothing here invites a write.  ``readOnly`` is false where the profile says
that a master may write the point; where nobody says, it is true, and the note has no access.
"""

from __future__ import annotations

import json
import re
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.job.records import EntryKind
from busprobe.profiles.schema import WRITABLE, PointType, WordOrder
from busprobe.text import harmless

PATTERN = "thing-*.td.json"
"""The names of the files, as a pattern."""

NOTE = "busprobe:note"
"""The private term with what the vocabularies cannot say."""

CONTEXT: list[object] = [
    "https://www.w3.org/2022/wot/td/v1.1",
    # The value that the draft's own JSON schema asks for; its full example has another one.
    {"modv": "https://www.w3.org/2019/wot/modbus", "busprobe": "urn:busprobe:"},
]

GATEWAY = "modbus+tcp://gateway.invalid:502"
"""Stands for the gateway that is not known here; names under .invalid lead nowhere (RFC 2606
section 2)."""

_ENTITIES = {1: "Coil", 2: "DiscreteInput", 3: "HoldingRegister", 4: "InputRegister"}
_TYPES: dict[PointType | None, str] = {
    PointType.INT16: "xsd:short",
    PointType.UINT16: "xsd:unsignedShort",
    PointType.INT32: "xsd:int",
    PointType.UINT32: "xsd:unsignedInt",
    PointType.INT64: "xsd:long",
    PointType.UINT64: "xsd:unsignedLong",
    PointType.FLOAT32: "xsd:float",
    PointType.FLOAT64: "xsd:double",
    PointType.ENUM: "xsd:unsignedShort",
    PointType.TEXT: "xsd:string",
    PointType.BOOL: "xsd:boolean",
    **dict.fromkeys(
        (PointType.BCD16, PointType.BCD32, PointType.MAGNITUDE16, PointType.MAGNITUDE32),
        "xsd:hexBinary",
    ),
}
_BITS = {1: "xsd:unsignedShort", 2: "xsd:unsignedInt", 4: "xsd:unsignedLong"}
"""Types of bits by their registers; there is none for three."""

_LIMITS = (
    (
        "The unit is on an RS-485 pair. The Modbus binding is a draft and knows modbus+tcp only, so"
        " the description holds for a gateway with this pair behind it: put its host in place of"
        " gateway.invalid."
    ),
    (
        "Values are as in the registers: where a property has a scale or an offset here, value ="
        " raw x scale + offset; where it has a scale register, that register says the scale of the"
        " moment."
    ),
    "Codes for 'no value' and names of states are not described.",
)


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents, one a unit; addresses where not one unit answers have none."""
    made = {}
    for unit in bus_list.units:
        if unit.state is EntryKind.UNIT:
            text = json.dumps(thing(bus_list, unit), indent=2, allow_nan=False).replace(
                "\x7f", "\\u007f"
            )
            made[f"thing-{unit.address:03}-{unit.settings}.td.json"] = f"{text}\n".encode("ascii")
    return made


def thing(bus_list: BusList, unit: UnitRow) -> dict[str, Any]:
    """The description of one unit."""
    points = [
        p for p in bus_list.points if (p.address, p.settings) == (unit.address, unit.settings)
    ]
    what = " ".join(filter(None, (unit.maker, unit.model)))
    properties: dict[str, Any] = {}
    for point in points:
        properties[_distinct(_key(point.name), properties)] = _property(point)
    return {
        "@context": CONTEXT,
        "id": _id(bus_list, unit),
        "title": harmless(unit.tag or what or f"Unit {unit.address}"),
        "description": harmless(
            "; ".join(filter(None, (what, unit.device_type, unit.location))) or "not identified"
        ),
        "created": bus_list.segment.made,
        "securityDefinitions": {"nosec_sc": {"scheme": "nosec"}},
        "security": "nosec_sc",
        "base": f"{GATEWAY}/{unit.address}/",
        "properties": properties,
        NOTE: {
            "unitAddress": unit.address,
            "lineSettings": unit.settings,
            "site": harmless(bus_list.segment.site),
            "segment": harmless(bus_list.segment.segment),
            "serialNumber": harmless(unit.serial),
            "revision": harmless(unit.revision),
            "gapBeforeRequestMs": unit.gap_ms,
            "registersARequest": unit.registers_a_request,
            "limits": list(_LIMITS),
        },
    }


def _id(bus_list: BusList, unit: UnitRow) -> str:
    """The same for the same device wherever it is moved to, where its serial number tells it from
    all others on the list; else the same for the same place (UUID version 5, RFC 9562 section
    5.5)."""
    device = (unit.maker, unit.model, unit.serial)
    listed = [(other.maker, other.model, other.serial) for other in bus_list.units]
    segment = bus_list.segment
    place = (segment.site, segment.segment, segment.created, unit.address, unit.settings)
    key = json.dumps(device if unit.serial and listed.count(device) == 1 else place)
    return uuid5(NAMESPACE_URL, f"urn:busprobe:{key}").urn


def _property(point: PointRow) -> dict[str, Any]:
    kind = PointType(point.type) if point.type in list(PointType) else None
    scaled = (
        point.scale not in (None, 1)
        or point.offset not in (None, 0)
        or point.scale_register is not None
    )
    form: dict[str, Any] = {
        "op": "readproperty",
        "href": f"{point.register}?quantity={point.count}",
        "contentType": "application/octet-stream",
        "modv:entity": _ENTITIES[point.function],
        "modv:zeroBasedAddressing": True,
    }
    if (
        wire_type := _BITS.get(point.count) if kind is PointType.BITS else _TYPES.get(kind)
    ) is not None:
        form["modv:type"] = wire_type
    if point.word_order is not None:
        order = WordOrder(point.word_order)
        form["modv:mostSignificantByte"] = not order.bytes_reversed
        form["modv:mostSignificantWord"] = not order.words_reversed
    note = {
        "scale": point.scale,
        "scaleRegister": point.scale_register,
        "offset": point.offset,
        "unitAfterScaling": harmless(point.unit),
        "encoding": point.type if kind and (kind.is_bcd or kind.is_magnitude) else None,
        "firstBit": point.first_bit,
        "bitCount": point.bit_count,
        "access": point.access,
        "channel": harmless(point.channel),
        "sheetRegister": point.sheet_register,
        "numbering": point.numbering,
    }
    return {
        "title": harmless(point.name),
        **({"description": harmless(point.description)} if point.description else {}),
        "type": _json_type(kind),
        **({"unit": harmless(point.unit)} if point.unit and not scaled else {}),
        "readOnly": point.access != WRITABLE,
        "observable": False,
        "forms": [form],
        NOTE: {key: value for key, value in note.items() if value not in (None, "")},
    }


def _json_type(kind: PointType | None) -> str:
    """The JSON type of the raw value; a fraction only where the registers hold one."""
    if kind is PointType.TEXT or (kind is not None and (kind.is_bcd or kind.is_magnitude)):
        return "string"
    if kind is PointType.BOOL:
        return "boolean"
    whole = kind is not None and not kind.is_float
    return "integer" if whole else "number"


def _key(name: str) -> str:
    """A property's name that fits into any URL: letters, digits and hyphens."""
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-").lower() or "point"


def _distinct(key: str, taken: dict[str, Any]) -> str:
    number = 2
    distinct = key
    while distinct in taken:
        distinct, number = f"{key}-{number}", number + 1
    return distinct

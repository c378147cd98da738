"""Thing Descriptions, held against the published schema and against the draft of the Modbus
binding.

Sections of Web of Things (WoT) Thing Description 1.1 are given from memory; those of the Modbus
binding are of the Editor's Draft of 1 December 2025.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib.metadata import distribution
from runpy import run_path
from typing import Any
from urllib.parse import urljoin
from uuid import RFC_4122, UUID

import pytest
from hypothesis import given, settings
from jsonschema import Draft7Validator

from busprobe.handover.bus_list import BusList, PointRow, UnitRow
from busprobe.handover.formats import thing_files
from busprobe.job.records import EntryKind
from busprobe.profiles.schema import PointType
from tests.handover.hostile import EMPTY, MARKUP, saying, texts

XSD = {
    f"xsd:{name}"
    for name in (
        *(
            "integer",
            "boolean",
            "string",
            "float",
            "decimal",
            "byte",
            "short",
            "int",
            "long",
            "double",
            "hexBinary",
        ),
        *("unsignedByte", "unsignedShort", "unsignedInt", "unsignedLong"),
    )
}
"""Modbus binding, section "Payload DataType"."""

SCHEMA = distribution("sdf-wot-converter").locate_file("sdf_wot_converter/validation/td_schema.py")
"""The package is not imported: only its copy of the schema, a Python literal, is read."""

MODBUS_URI = re.compile(r"modbus\+tcp://[^/?#]+/\d+/\d+(\?quantity=\d+)?")
"""Modbus binding, section "Modbus URL ABNF syntax"."""


@pytest.fixture(scope="module")
def schema() -> Draft7Validator:
    """The JSON schema published with the Thing Description 1.1 drafts (version
    1.1-10-June-2022)."""
    document = run_path(str(SCHEMA))["td_schema"]
    assert (document["title"], document["version"]) == ("Thing Description", "1.1-10-June-2022")
    Draft7Validator.check_schema(document)
    return Draft7Validator(document)


def things(bus_list: BusList) -> dict[str, Any]:
    return {name: json.loads(content) for name, content in thing_files.files(bus_list).items()}


def check(document: dict[str, Any]) -> None:
    """What the schema does not say: the binding's own rules, and the Recommendation's on names and
    security."""
    assert (
        document["@context"][0] == "https://www.w3.org/2022/wot/td/v1.1"
    )  # TD 1.1 section 5.3.1.1
    # The binding's own JSON schema (modbus.schema.json) asks for this value.
    assert document["@context"][1]["modv"] == "https://www.w3.org/2019/wot/modbus"
    assert document["security"] in document["securityDefinitions"]  # TD 1.1 section 5.3.1.1
    prefixes = set(document["@context"][1])
    for name, affordance in document["properties"].items():
        assert re.fullmatch(r"[a-z0-9-]+", name)
        assert affordance["forms"], "TD 1.1 section 5.3.1.3: an affordance has at least one form"
        for form in affordance["forms"]:
            # Python joins relative references only for schemes it knows; the rule is that of RFC
            # 3986 section 5.2.
            href = urljoin(document["base"].replace("modbus+tcp", "http"), form["href"]).replace(
                "http", "modbus+tcp"
            )
            assert MODBUS_URI.fullmatch(href), href
            assert form["op"] == "readproperty", "nothing in a description invites a write"
            assert form["modv:entity"] in (
                *("Coil", "DiscreteInput"),
                *("HoldingRegister", "InputRegister"),
            )
            assert form.get("modv:type", "xsd:short") in XSD
            for term in (term for term in form if ":" in term):
                assert term.partition(":")[0] in prefixes


def point(type_: str = "int16", **changes: object) -> PointRow:
    made = PointRow(
        address=12,
        settings="9600-8N1",
        tag="",
        profile=None,
        name="Temperature",
        function=3,
        register=40,
        sheet_register=None,
        numbering=None,
        count=1,
        type=type_,
        word_order=None,
        unit="",
        scale=None,
        offset=None,
        plausible_min=None,
        plausible_max=None,
        registers=None,
        value=None,
        text="",
        plausible=None,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def described(*points: PointRow) -> dict[str, Any]:
    found = replace(
        EMPTY,
        units=(UnitRow(number=1, state=EntryKind.UNIT, address=12, settings="9600-8N1"),),
        points=points,
    )
    (document,) = things(found).values()
    return dict(document)


def form_of(made: PointRow) -> dict[str, Any]:
    (property_,) = described(made)["properties"].values()
    return dict(property_["forms"][0])


def test_each_unit_has_a_description_that_fits_the_published_schema(
    bus_list: BusList, schema: Draft7Validator
) -> None:
    found = things(bus_list)
    assert list(found) == ["thing-005-9600-8N1.td.json", "thing-012-9600-8N1.td.json"]
    for document in found.values():
        schema.validate(document)
        check(document)


def test_the_schema_refuses_what_is_no_description(
    bus_list: BusList, schema: Draft7Validator
) -> None:
    """So that passing it means something."""
    document = things(bus_list)["thing-012-9600-8N1.td.json"]
    assert not schema.is_valid({**document, "title": None})
    assert not schema.is_valid({key: value for key, value in document.items() if key != "security"})
    broken = json.loads(json.dumps(document))
    del broken["properties"]["temperature"]["forms"][0]["href"]
    assert not schema.is_valid(broken)


def test_registers_go_as_on_the_wire(bus_list: BusList) -> None:
    """Without modv:zeroBasedAddressing the binding counts from 1 (section "Default mappings")."""
    document = things(bus_list)["thing-012-9600-8N1.td.json"]
    assert document["base"] == "modbus+tcp://gateway.invalid:502/12/"
    temperature = document["properties"]["temperature"]
    assert temperature["forms"][0]["href"] == "1?quantity=1"
    assert temperature["forms"][0]["modv:entity"] == "InputRegister"
    assert temperature["forms"][0]["modv:zeroBasedAddressing"] is True
    hours = document["properties"]["operating-hours"]["forms"][0]
    assert (hours["href"], hours["modv:entity"], hours["modv:type"]) == (
        "10?quantity=2",
        "HoldingRegister",
        "xsd:unsignedInt",
    )


@pytest.mark.parametrize(
    ("order", "byte", "word"),
    [("ABCD", True, True), ("CDAB", True, False), ("BADC", False, True), ("DCBA", False, False)],
)
def test_byte_orders_are_the_two_flags_of_the_binding(order: str, byte: bool, word: bool) -> None:
    form = form_of(point("float32", count=2, word_order=order))
    assert (form["modv:mostSignificantByte"], form["modv:mostSignificantWord"]) == (byte, word)


@pytest.mark.parametrize("kind", list(PointType))
def test_every_type_of_a_point_has_one_of_the_binding(kind: PointType) -> None:
    assert form_of(point(str(kind), count=kind.registers or 4))["modv:type"] in XSD


def test_bits_of_three_registers_have_no_type_there() -> None:
    assert "modv:type" not in form_of(point("bits", count=3))


def test_what_the_vocabularies_cannot_say_is_a_private_note() -> None:
    document = described(point(scale=0.1, unit="°C", scale_register=41))
    temperature = document["properties"]["temperature"]
    assert "unit" not in temperature, "the raw number is not in °C"
    assert temperature["busprobe:note"] == {
        "scale": 0.1,
        "scaleRegister": 41,
        "unitAfterScaling": "°C",
    }
    assert document["busprobe:note"]["lineSettings"] == "9600-8N1"
    assert any(
        "RS-485" in words and "gateway" in words for words in document["busprobe:note"]["limits"]
    )


def test_a_value_that_needs_no_scaling_has_its_unit() -> None:
    assert (
        described(point(scale=1.0, offset=0.0, unit="V"))["properties"]["temperature"]["unit"]
        == "V"
    )


def test_points_of_one_name_stay_apart() -> None:
    found = described(
        point(name="Voltage L1"), point(name="voltage-l1", register=41), point(name="°°°")
    )
    assert list(found["properties"]) == ["voltage-l1", "voltage-l1-2", "point"]


@pytest.mark.parametrize(("access", "read_only"), [("R", True), ("R/W", False), ("", True)])
def test_read_only_agrees_with_the_access(access: str, read_only: bool) -> None:
    """Where nobody says, a description invites no write."""
    made = described(point(access=access))["properties"]["temperature"]
    assert made["readOnly"] is read_only
    assert made["busprobe:note"].get("access", "") == access


def unit_at(address: int, serial: str = "") -> UnitRow:
    return UnitRow(
        number=address,
        state=EntryKind.UNIT,
        address=address,
        settings="9600-8N1",
        maker="Garnet Sensing",
        model="GS-1",
        serial=serial,
    )


def ids(*units: UnitRow) -> list[str]:
    return [one["id"] for one in things(replace(EMPTY, units=units)).values()]


def test_each_description_has_an_id_of_its_own_that_stays_with_the_device() -> None:
    """A UUID of version 5 as a URN (RFC 9562 sections 4 and 5.5)."""
    first, second = ids(unit_at(5, "0001"), unit_at(6, "0002"))
    assert first != second
    for one in (first, second):
        assert (UUID(one).version, UUID(one).variant) == (5, RFC_4122)
        assert one == UUID(one).urn
    assert ids(unit_at(17, "0001")) == [first], "it was moved"


def test_a_serial_number_that_two_units_share_makes_no_id() -> None:
    """Nor does none at all."""
    assert len(set(ids(unit_at(5, "0000"), unit_at(6, "0000")))) == 2
    assert len(set(ids(unit_at(5), unit_at(6)))) == 2


def test_where_not_one_unit_answers_there_is_nothing_to_describe() -> None:
    units = (
        UnitRow(number=1, state=EntryKind.CLASH, address=12, settings="9600-8N1"),
        UnitRow(number=2, state="reserved", address=1),
    )
    assert things(replace(EMPTY, units=units)) == {}


@settings(deadline=None, max_examples=40)
@given(tag=texts, place=texts, name=texts)
def test_any_text_gives_a_valid_description_in_plain_ascii(
    schema: Draft7Validator, tag: str, place: str, name: str
) -> None:
    for content in thing_files.files(saying(tag, place, name)).values():
        assert all(byte == 0x0A or 0x20 <= byte < 0x7F for byte in content)
        schema.validate(json.loads(content))
        check(json.loads(content))


@pytest.mark.parametrize("text", MARKUP)
def test_no_text_reaches_a_file_name(text: str) -> None:
    assert list(thing_files.files(saying(text, text, text))) == ["thing-012-9600-8N1.td.json"]

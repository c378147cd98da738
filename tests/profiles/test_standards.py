"""What a unit says of itself by open standards."""

from __future__ import annotations

from busprobe.profiles.standards import SelfDescription, descriptions
from busprobe.profiles.values import decode
from tests.profiles.making import point, profile


def test_identification_comes_before_server_id_and_that_before_registers() -> None:
    serial = decode(point(name="No.", type="text", length=2, tells="serial"), [0x4142, 0x4344])
    found = descriptions({0: "Glenmoss", 1: "G-1", 2: "1.4"}, "G-1 0417", [serial])
    assert found == (
        SelfDescription("device identification (43/14)", "Glenmoss", "G-1", "1.4"),
        SelfDescription("server id (17)", model="G-1 0417"),
        SelfDescription("its registers", serial="ABCD"),
    )
    assert (
        found[0].words == "by device identification (43/14) it is 'Glenmoss' 'G-1', version '1.4'"
    )
    assert found[2].words == "by its registers it is nameless, serial number 'ABCD'"


def test_a_unit_that_says_nothing_has_no_description() -> None:
    empty = decode(point(type="text", length=1, tells="model", no_value=[0]), [0])
    assert descriptions(None, None) == ()
    assert descriptions({0: ""}, "", [empty]) == ()


def test_the_model_name_stands_in_for_a_product_code_that_is_not_given() -> None:
    (found,) = descriptions({0: "Glenmoss", 5: "G-1 deluxe"}, None)
    assert found.model == "G-1 deluxe"


def test_an_object_of_the_makers_own_is_a_serial_number_where_the_profile_says_so() -> None:
    told = profile(
        objects=[{"object": 0x80, "tells": "serial"}, {"object": 0x81, "tells": "version"}]
    ).objects
    said = {0: "Glenmoss", 1: "G-1", 0x80: "[red]=0417\\x1b", 0x81: "2.0"}
    (found,) = descriptions(said, None, told=told)
    assert (found.serial, found.version) == ("[red]=0417\\x1b", "2.0")
    (unknown,) = descriptions(said, None)
    assert unknown.serial is None

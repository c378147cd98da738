"""Units of one type held against each other."""

from __future__ import annotations

from busprobe.line.place import Place
from busprobe.profiles.same_type import Sibling, differences

ALIKE = [Sibling(Place.parse(f"{address} 9600-8N1"), "1.4") for address in (11, 12, 13, 17)]


def test_units_that_are_alike_have_nothing_said_of_them() -> None:
    assert differences(ALIKE[0], ALIKE) == ()
    assert differences(ALIKE[0], []) == ()


def test_another_firmware_is_flagged() -> None:
    assert differences(Sibling(Place.parse("20 9600-8N1"), "1.5"), ALIKE) == (
        "Its version is '1.5', other than with its siblings: '1.4' at 11-13,17.",
    )


def test_a_batch_that_comes_with_other_line_settings_is_flagged() -> None:
    assert differences(Sibling(Place.parse("11 19200-8E1"), "1.4"), ALIKE) == (
        "It answers at 19200-8E1, other than with its siblings: 9600-8N1 at 11-13,17.",
    )


def test_what_a_unit_does_not_say_is_no_difference() -> None:
    assert differences(Sibling(Place.parse("20 9600-8N1"), None), ALIKE) == ()
    assert differences(ALIKE[0], [Sibling(Place.parse("20 9600-8N1"), None)]) == ()


def test_several_versions_are_all_named() -> None:
    others = [*ALIKE, Sibling(Place.parse("30 9600-8N1"), "0.9")]
    assert differences(Sibling(Place.parse("20 9600-8N1"), "1.5"), others) == (
        "Its version is '1.5', other than with its siblings: '0.9' at 30, '1.4' at 11-13,17.",
    )

"""Fingerprints that do not tell one device type from another."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.profiles.ambiguity import ambiguity_mistakes, covers
from busprobe.profiles.fingerprint import Fingerprint
from tests.profiles.making import profile


def fingerprint(**fields: Any) -> Fingerprint:
    return profile(fingerprint=fields).fingerprint


def text(**test: str) -> Fingerprint:
    return fingerprint(server_id=test)


def register(**test: int) -> Fingerprint:
    return fingerprint(registers=[{"function": 3, "register": 9, **test}])


@pytest.mark.parametrize(
    ("wide", "narrow", "expected"),
    [
        (text(contains="AT"), text(equals="AT-10"), True),
        (text(contains="AT"), text(starts_with="xAT"), True),
        (text(contains="AT"), text(contains="AT-10"), True),
        (text(starts_with="AT"), text(starts_with="AT-10"), True),
        (text(equals="AT-10"), text(equals="AT-10"), True),
        (text(equals="AT-10"), text(starts_with="AT-10"), False),
        (text(starts_with="AT-10"), text(starts_with="AT"), False),
        (text(starts_with="AT"), text(contains="AT"), False),
        (text(contains="AT-10"), text(equals="AT-11"), False),
        (register(), register(equals=5), True),
        (register(max=7), register(equals=5), True),
        (register(max=7), register(min=2, max=7), True),
        (register(max=7), register(max=8), False),
        (register(mask=0xFF00, equals=0x4700), register(equals=0x4731), True),
        (register(equals=0x4731), register(mask=0xFF00, equals=0x4700), False),
        (register(equals=5), text(equals="AT-10"), False),
        (text(equals="AT-10"), register(equals=5), False),
        (fingerprint(), text(equals="AT-10"), False),
    ],
)
def test_a_fingerprint_covers_another_if_all_that_passes_the_other_passes_it(
    wide: Fingerprint, narrow: Fingerprint, expected: bool
) -> None:
    assert covers(wide, narrow) is expected


def test_what_only_one_of_two_types_has_tells_them_apart_one_way() -> None:
    any_revision = fingerprint(objects=[{"object": 1, "equals": "G-1"}])
    one_revision = fingerprint(
        objects=[{"object": 1, "equals": "G-1"}, {"object": 2, "starts_with": "2."}]
    )
    assert covers(any_revision, one_revision)
    assert not covers(one_revision, any_revision)


def test_the_same_id_and_generic_profiles_are_no_rivals() -> None:
    tested = {"fingerprint": {"server_id": {"contains": "G-1"}}}
    one = profile(id="one", **tested)
    assert list(ambiguity_mistakes(one, [one, profile(id="two", generic=True, **tested)])) == []
    ((place, what),) = ambiguity_mistakes(one, [profile(id="two", **tested)])
    assert place == ("fingerprint",)
    assert "'two' (Glenmoss Works G-1)" in what

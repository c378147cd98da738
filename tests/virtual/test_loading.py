"""Scenario files: found, read and checked."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import ExitCode, FileError, UsageError
from busprobe.virtual.loading import load_scenario, scenario_names, shipped_types

GOOD = """
title = "mine"

[[units]]
name = "a"
type = "own"
serial = "7"
values = { level = 2.5 }

[types.own]
maker = "Nobody"
model = "N-1"
settings = "9600-8N1"
functions = [3]

[[types.own.holding]]
name = "level"
at = 4
type = "float32"
value = 1.0
"""


def mistakes(tmp_path: Path, text: str) -> dict[str, str]:
    """The mistakes of a file with `text`, by place."""
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError) as caught:
        load_scenario(path)
    assert caught.value.exit_code is ExitCode.USAGE
    assert str(path) in caught.value.what
    return {mistake.where.partition(" (line")[0]: mistake.what for mistake in caught.value.mistakes}


def test_a_file_of_ones_own_may_bring_its_own_types(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD, encoding="utf-8")
    scenario = load_scenario(path)
    assert scenario.types["own"].holding[0].at == 4
    assert scenario.units[0].values == {"level": 2.5}


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"no scenario 'nowhere'.*clash.*clean"):
        load_scenario("nowhere")


def test_all_mistakes_come_at_once_each_with_its_place(tmp_path: Path) -> None:
    found = mistakes(
        tmp_path,
        """
        title = "mine"
        colour = "red"
        [adapter]
        lump = -1
        [[units]]
        name = "a"
        type = "at-10"
        address = 300
        [[units]]
        name = "b"
        type = "at-10"
        settings = "9600-8X1"
        """,
    )
    assert set(found) == {"colour", "adapter.lump", "units.1.address", "units.2.settings"}
    assert "9600-8X1" in found["units.2.settings"]


def test_mistakes_between_fields_are_found_too(tmp_path: Path) -> None:
    text = (
        GOOD.replace("values = { level = 2.5 }", "values = { depth = 2.5, level = 'high' }")
        + """
        [[types.own.holding]]
        name = "other"
        at = 5
        type = "int16"
        value = 40000
        [types.own.readdress]
        at = 4
        functions = [6]
        lowest = 9
        highest = 8
        [[units]]
        name = "a"
        type = "none"
        """
    )
    assert set(mistakes(tmp_path, text)) == {
        "types.own.holding.2.value",
        "types.own.holding.2.at",
        "types.own.holding.1.at",
        "types.own.readdress.lowest",
        "units.1.values.depth",
        "units.1.values.level",
        "units.2.name",
        "units.2.type",
    }


SETUP = """
title = "mine"

[types.own]
maker = "Me"
model = "M-1"
settings = "9600-8N1"
functions = [3, 6]

[types.own.readdress]
at = 20
functions = [6]

[types.own.line_settings]
functions = [6]
baud = {baud}
format = {{ at = 22, codes = {{ 8N1 = 0, 8E1 = 1 }} }}

[types.own.lock]
at = {lock}
values = [1, 2]
functions = [6]

[[units]]
name = "u"
type = "own"
settings = "{settings}"
"""
GOOD_SETUP = {"baud": "{ at = 21, codes = { 9600 = 0 } }", "lock": "40", "settings": "9600-8E1"}


@pytest.mark.parametrize(
    ("change", "place", "what"),
    [
        (
            {"baud": "{ at = 21, codes = { 9600x = 0 } }"},
            "types.own.line_settings.baud",
            "not a line setting",
        ),
        (
            {"baud": "{ at = 20, codes = { 9600 = 0 } }"},
            "types.own",
            "unit address and baud rate share a register",
        ),
        (
            {"baud": '{ at = 20, part = "low-byte", codes = { 9600 = 0 } }'},
            "types.own",
            "unit address and baud rate share a register",
        ),
        ({"lock": "19"}, "types.own", "unit address and lock share a register"),
        ({"settings": "19200-8N1"}, "units.1.settings", "no code in line_settings for 19200"),
        (
            {"baud": "{ at = 21, codes = { 4800 = 0 } }"},
            "types.own.settings",
            "no code in line_settings for 9600",
        ),
    ],
)
def test_registers_of_settings_are_checked(
    tmp_path: Path, change: dict[str, str], place: str, what: str
) -> None:
    found = mistakes(tmp_path, SETUP.format(**{**GOOD_SETUP, **change}))
    assert what in found[place]


def test_sound_registers_of_settings_pass(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(SETUP.format(**GOOD_SETUP), encoding="utf-8")
    assert load_scenario(path).units[0].name == "u"


def test_a_file_that_is_no_toml_tells_the_line(tmp_path: Path) -> None:
    assert "is not TOML" in mistakes(tmp_path, 'title = "mine"\n\n[units\n')["line 3"]


def test_a_file_that_is_no_text_says_so(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="UTF-8"):
        load_scenario(path)


def test_the_scenarios_of_the_manual_are_shipped() -> None:
    assert {
        "clean",
        "clash",
        "mixed",
        "swapped",
        "echo",
        "stray-bytes",
        "second-master",
        "slow",
        "box",
        "full",
        "site",
        "procedures",
        "harmonise",
    } <= set(scenario_names())
    assert len(shipped_types()) == 10


@given(st.text(max_size=200))
@settings(max_examples=50)
def test_no_text_makes_anything_but_a_file_error(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = tmp_path_factory.mktemp("any") / "mine.toml"
    path.write_text(text, encoding="utf-8", errors="replace")
    with pytest.raises(FileError):
        load_scenario(path)

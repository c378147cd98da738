"""The schema of a profile."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel, ValidationError

from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.profiles.changes import Effect, Readdress, ReplyFrom
from busprobe.profiles.fingerprint import RegisterTest, TextTest
from busprobe.profiles.loading import load_profile
from busprobe.profiles.registers import AddressPart, Register
from busprobe.profiles.schema import PointType, Profile, ScaleRegister, Tells
from tests.profiles.making import point, profile

GOOD = Path(__file__).parent / "good"


def models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for inner in (field.annotation, *get_args(field.annotation)):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                yield from models(inner)


def test_every_field_is_documented() -> None:
    for model in models(Profile):
        for name, field in model.model_fields.items():
            assert field.description, f"{model.__name__}.{name}"
            assert field.description.endswith("."), f"{model.__name__}.{name}"


def test_everything_a_file_can_say_arrives() -> None:
    loaded = load_profile(GOOD / "everything.toml")
    assert str(loaded) == "Glenmoss Works G-900 [mk II]"
    assert loaded.factory is not None
    assert loaded.factory.settings == LineSettings.parse("2400-8E1")
    assert [p.at for p in loaded.points] == [
        Register(10, 30011),
        Register(100, 400101),
        Register(100, 40101),
        Register(199, 40200),
        Register(209, 40210),
        Register(19, 30020),
        Register(16, 17),
        Register(0, 10001),
        Register(29, 30030),
    ]
    assert [p.count for p in loaded.points] == [4, 1, 1, 8, 1, 2, 1, 1, 2]
    assert [p.read_once for p in loaded.points[:5]] == [False, False, False, False, True]
    volume = loaded.points[0]
    assert (volume.decimals, volume.alarm_min, volume.alarm_max) == (2, 0.5, 1e5)
    assert loaded.points[4].tells is Tells.VERSION
    assert loaded.points[5].scale_register == ScaleRegister.model_validate(
        {"register": Register(21, 30022), "means": "divisor"}
    )
    assert (loaded.limits.wake_up_s, loaded.limits.sleeps_after_s) == (3, 60)
    assert loaded.points[1].names == {0: "closed", 1: "open"}
    assert loaded.readdress is not None
    assert loaded.readdress.at.wire == 1
    assert loaded.readdress.addresses == (*range(1, 100), 110)
    assert (loaded.readdress.effect, loaded.readdress.reply_from) == (
        Effect.AFTER_POWER_CYCLE,
        ReplyFrom.NONE,
    )
    assert loaded.readdress.part is AddressPart.LOW_BYTE
    assert loaded.readdress.unlock is not None
    assert (loaded.readdress.unlock.at.wire, loaded.readdress.unlock.values) == (
        149,
        (0x1234, 0x5678),
    )
    assert loaded.readdress.save is not None
    assert loaded.readdress.save.function == 6
    assert loaded.limits.gap_s == 0.05
    assert len(loaded.cautions) == 2


def test_defaults_of_readdressing() -> None:
    """Function 16 unless the profile says 6, at once, answered from the old address, any unit
    address."""
    readdress = profile(readdress={"register": 5}).readdress
    assert readdress == Readdress.model_validate(
        {
            "register": Register(5, 5),
            "function": 16,
            "effect": "at-once",
            "reply_from": "old",
            "wait_s": 0.1,
        }
    )
    assert readdress.addresses == ALL


def test_a_profile_does_not_change_after_loading() -> None:
    loaded = profile()
    with pytest.raises(ValidationError):
        loaded.maker = "Somebody Else"


def test_register_numbers_are_never_taken_without_their_numbering() -> None:
    with pytest.raises(TypeError, match="numbering"):
        Readdress.model_validate({"register": 40001})


def test_a_profile_as_json_says_both_register_numbers_and_the_settings_as_written() -> None:
    document = profile(numbering="reference", readdress={"register": 40021}).model_dump(
        mode="json", by_alias=True
    )
    assert document["readdress"]["register"] == {"wire": 20, "sheet": 40021}
    assert document["readdress"]["addresses"] == "1-247"
    assert document["factory"]["settings"] == "9600-8N1"


@pytest.mark.parametrize(
    ("kind", "registers"), [("int16", 1), ("uint32", 2), ("float64", 4), ("bits", 1), ("enum", 1)]
)
def test_registers_a_type_takes(kind: str, registers: int) -> None:
    assert PointType(kind).registers == registers
    assert point(type=kind).count == registers


@pytest.mark.parametrize(
    ("means", "word", "scale"),
    [
        # SunSpec scale factors are signed powers of ten from -10 to 10 (range from memory); 8000 is
        # 'not implemented' (pysunspec2 1.3.7, mb.py).
        ("exponent", 0xFFFF, 0.1),
        ("exponent", 0, 1.0),
        ("exponent", 3, 1000.0),
        ("exponent", 0xFFF6, 1e-10),
        ("exponent", 0x8000, None),
        ("exponent", 11, None),
        ("factor", 40, 40.0),
        ("factor", 0, None),
        ("divisor", 10, 0.1),
        ("divisor", 0, None),
    ],
)
def test_what_a_scale_register_says(means: str, word: int, scale: float | None) -> None:
    register = ScaleRegister.model_validate({"register": Register(0, 0), "means": means})
    assert register.scale(word) == scale


@pytest.mark.parametrize(
    ("test", "text", "passes"),
    [
        ({"equals": "DX-8"}, "DX-8", True),
        ({"equals": "DX-8"}, "DX-80", False),
        ({"starts_with": "CD-2-"}, "CD-2-0K7", True),
        ({"starts_with": "CD-2-"}, "xCD-2-", False),
        ({"contains": "AT-10"}, "\\x01AT-10", True),
        ({"contains": "AT-10"}, "AT10", False),
        ({"equals": "a\\b"}, "a\\\\b", True),  # texts of units have their backslashes doubled
    ],
)
def test_text_expectations(test: dict[str, str], text: str, passes: bool) -> None:
    assert TextTest.model_validate(test).passes(text) is passes


@pytest.mark.parametrize(
    ("fields", "passing", "failing"),
    [
        ({"equals": 0x12}, [0x12], [0x13, 0x1200]),
        ({"min": 3, "max": 9}, [3, 9], [2, 10]),
        ({"min": 3}, [3, 0xFFFF], [2]),
        ({"mask": 0xFF00, "equals": 0x4700}, [0x4700, 0x47FF], [0x4600, 0x0047]),
        ({}, [0, 0xFFFF], []),
    ],
)
def test_register_expectations(
    fields: dict[str, int], passing: list[int], failing: list[int]
) -> None:
    test = RegisterTest.model_validate({"function": 3, "register": Register(0, 0), **fields})
    assert all(test.passes(value) for value in passing)
    assert not any(test.passes(value) for value in failing)

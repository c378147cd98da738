"""The generic SunSpec profiles against the model files and the encodings of pysunspec2."""

from __future__ import annotations

import json
from importlib import resources
from typing import Any

import pytest
from sunspec2 import mb
from sunspec2.modbus.client import SunSpecModbusClientDevice

from busprobe.profiles.data_sheet import data_sheet
from busprobe.profiles.registers import Register
from busprobe.profiles.schema import PointType, Profile, ScaleRegister
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.profiles.values import decode
from tests.profiles.making import point

PROFILES = [
    p for id_, p in load_all([shipped_folder()]).profiles.items() if id_.startswith("sunspec-")
]
MODEL = json.loads(
    (resources.files("sunspec2") / "models" / "json" / "model_1.json").read_text(encoding="utf-8")
)


def points() -> dict[str, tuple[int, dict[str, Any]]]:
    """The points of model 1 with their offsets from the base, which is two registers of marker
    before the model."""
    found, offset = {}, 2
    for entry in MODEL["group"]["points"]:
        found[entry.get("label", entry["name"]).casefold()] = (offset, entry)
        offset += entry["size"]
    return found


def base(profile: Profile) -> int:
    return int(profile.id.removeprefix("sunspec-"))


def test_there_is_one_for_each_base_that_pysunspec2_tries() -> None:
    assert {base(profile) for profile in PROFILES} == set(
        SunSpecModbusClientDevice().base_addr_list
    )


@pytest.mark.parametrize("profile", PROFILES, ids=lambda p: p.id)
def test_points_are_those_of_the_common_model(profile: Profile) -> None:
    model = points()
    assert len(profile.points) == 5
    for mine in profile.points:
        offset, entry = model[mine.name.casefold()]
        assert (mine.at.wire, mine.count) == (base(profile) + offset, entry["size"])
        assert (mine.type, entry["type"]) == (PointType.TEXT, "string")


@pytest.mark.parametrize("profile", PROFILES, ids=lambda p: p.id)
def test_the_unit_address_is_the_device_address_point(profile: Profile) -> None:
    offset, entry = points()["device address"]
    assert entry["access"] == "RW"
    assert profile.readdress is not None
    assert profile.readdress.at.wire == base(profile) + offset
    assert profile.readdress.stated_effect is None
    assert "1-247; when it holds is not stated; ready again" in " ".join(
        " ".join(data_sheet(profile)).split()
    )


@pytest.mark.parametrize("profile", PROFILES, ids=lambda p: p.id)
def test_the_fingerprint_is_marker_id_and_length(profile: Profile) -> None:
    marker = b"SunS"
    sizes = [entry["size"] for entry in MODEL["group"]["points"]]
    tests = {test.at.wire - base(profile): test for test in profile.fingerprint.registers}
    assert tests[0].passes(int.from_bytes(marker[:2], "big"))
    assert tests[1].passes(int.from_bytes(marker[2:], "big"))
    assert tests[2].passes(MODEL["id"])
    assert not tests[2].passes(MODEL["id"] + 1)
    assert tests[3].passes(sum(sizes) - 2)
    assert tests[3].passes(sum(sizes) - 3)  # without the pad: such units are in the field
    assert not tests[3].passes(sum(sizes))


@pytest.mark.parametrize(
    ("kind", "form", "length"),
    [
        ("int16", "int16", None),
        ("uint16", "uint16", None),
        ("int32", "int32", None),
        ("uint32", "uint32", None),
        ("int64", "int64", None),
        ("uint64", "uint64", None),
        ("float32", "float32", None),
        ("float64", "float64", None),
        ("text", "string", 4),
    ],
)
def test_values_that_pysunspec2_writes_are_read_back(
    kind: str, form: str, length: int | None
) -> None:
    info = mb.point_type_info[form]
    value: Any = "ACME" if kind == "text" else -1234.5 if "float" in kind else 1234
    data = info.to_data(value, 8) if kind == "text" else info.to_data(value)
    registers = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
    assert decode(point(type=kind, length=length), registers).value == value


def test_the_scale_factor_that_is_not_implemented_gives_no_scale() -> None:
    register = ScaleRegister.model_validate({"register": Register(0, 0)})
    assert register.scale(mb.SUNS_UNIMPL_SUNSSF & 0xFFFF) is None

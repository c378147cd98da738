"""A profile as a data sheet page."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.profiles.data_sheet import WIDTH, data_sheet, field_guide
from busprobe.profiles.loading import load_profile
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from tests.profiles.making import profile

GOOD = Path(__file__).parent / "good"
PAGES = [
    *load_all([shipped_folder()]).profiles.values(),
    *(load_profile(path) for path in GOOD.iterdir()),
]


@pytest.mark.parametrize("shown", PAGES, ids=lambda shown: shown.id)
def test_a_page_fits_the_smallest_screen_and_names_all_points_and_cautions(shown: Profile) -> None:
    lines = data_sheet(shown)
    assert max(map(len, lines)) <= WIDTH
    text = " ".join(" ".join(lines).split())
    assert all(point.name in text and f"0x{point.at.wire:04X}" in text for point in shown.points)
    assert all(caution in text for caution in shown.cautions)


def test_registers_are_shown_in_decimal_hex_and_as_the_data_sheet_counts() -> None:
    lines = data_sheet(load_all([shipped_folder()]).profiles["brookvale-bm-330"])
    assert (
        " 4    52 0x0034  30053 float32      Total power          W (-90000 to 90000) ±1%" in lines
    )
    text = " ".join(" ".join(lines).split())
    assert "holding register 20 (0x0014, data sheet 40021) by function 16, 1-247" in text
    assert "Points, read in 3 requests" in text


def test_long_names_and_many_states_wrap_in_their_columns() -> None:
    names = {str(n): f"a rather long state number {n}" for n in range(12)}
    point = {
        "name": "A name of nearly forty letters, no less",
        "function": 3,
        "register": 1,
        "type": "enum",
    }
    lines = data_sheet(profile(points=[{**point, "names": names}]))
    assert max(map(len, lines)) <= WIDTH
    assert "11=a rather long state number 11" in " ".join(" ".join(lines[-40:]).split())


def test_a_unit_set_by_hand_says_so() -> None:
    assert "New address     not by a write: set it on the unit" in data_sheet(profile())


def test_everything_a_profile_says_is_on_its_page() -> None:
    text = " ".join(" ".join(data_sheet(load_profile(GOOD / "everything.toml"))).split())
    for part in (
        "Glenmoss Works G-900 [mk II]",
        "address 17 (0x11), 2400-8E1",
        "8 registers a request, 0.05 s of silence before the next request, replies within 0.8 s",
        (
            "written to the low-byte of holding register 1 (0x0001, data sheet 40002) by function"
            " 6, 1-99,110"
        ),
        (
            "holds after a power cycle; there is no reply; ready again after 2.5 s; unlocked by"
            " writing 0x1234, 0x5678 to"
        ),
        (
            "saved by writing 0x0001 to holding register 151 (0x0097, data sheet 40152) by function"
            " 6; locked again by"
        ),
        (
            "locks itself again after 600 s; while locked it refuses with exception 3; all writes"
            " go to address 255"
        ),
        (
            "Line settings the code of the baud rate is written to the low-byte of holding register"
            " 2 (0x0002, data sheet"
        ),
        (
            "2400 = 0, 9600 = 2, 19200 = 3; the code of the format is written to the high-byte of"
            " holding register 2"
        ),
        "(0x0002, data sheet 40003) by function 16, holds at once: 8N1 = 0, 8E1 = 1",
        "If it is lost Hold the key while switching it on",
        "server id (function 17): 'G-900' in it",
        "VendorName (43/14): 'Glenmoss Works'",
        "object 0x80 (43/14): 'SN ' at its start",
        (
            "register 0 (0x0000, data sheet 40001) by function 3: 18176, masked with 0xFF00 (type"
            " code)"
        ),
        "register 65535 (0xFFFF, data sheet 365536) by function 4: 3 to 9",
        "uint64 DCBA",
        "text BADC[8]",
        "0=closed 1=open",
        "none: 0xFFFFFFFFFFFFFFFF",
        "awake after 3 s, asleep after 60 s without a request",
        "tells the unit's version",
        "bits CDAB[2]",
        "Says of itself object 0x80 (43/14): its serial number",
        "±0.01 ±1.5% alarm below 0.5 alarm above 100000 shown with 2 decimals channel tube 1",
        "R/W as told, not as it stands",
    ):
        assert part in text, part


def test_guide_explains_every_field() -> None:
    lines = field_guide()
    assert max(map(len, lines)) <= WIDTH
    for field in ("id: required", "points[].register: required", "readdress.register: required"):
        assert field in lines
    assert "points[].scale: may be left out" in lines
    assert "points[].scale_register.register: required" in lines
    assert "fingerprint.objects[].object: required" in lines
    assert "points[].shows: may be left out" in lines

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from busprobe.files.documents import from_document
from busprobe.handover.assemble import assemble
from busprobe.handover.bus_list import BusList
from busprobe.job import Job, ReplyTimes, UnitRecord
from busprobe.job.journal import Result, Role, WriteIntent
from busprobe.job.records import PointReading, PollResult
from busprobe.line.place import Place
from busprobe.modbus.requests import Function, RegisterWrite
from busprobe.profiles.schema import Profile, parse_profile
from busprobe.profiles.values import readings
from tests.job.conftest import Ticking, quick_disk

SENSOR = parse_profile(
    {
        "id": "garnet-gs-1",
        "maker": "Garnet Sensing",
        "model": "GS-1",
        "kind": "temperature sensor",
        "numbering": "reference",
        "factory": {"address": 1, "settings": "9600-8N1"},
        "points": [
            {
                "name": "Temperature",
                "function": 4,
                "register": 30002,
                "type": "int16",
                "scale": 0.1,
                "unit": "°C",
                "plausible_min": -40,
                "plausible_max": 85,
            },
            {
                "name": "Operating hours",
                "function": 3,
                "register": 40011,
                "type": "uint32",
                "order": "CDAB",
            },
        ],
        "readdress": {"register": 40258, "function": 6},
        "limits": {"registers": 16, "gap_s": 0.02},
    }
)
METER = parse_profile(
    {
        "id": "hazel-hm-9",
        "maker": "Hazel Metering",
        "model": "HM-9",
        "kind": "energy meter",
        "numbering": "wire",
        "factory": {"address": 240, "settings": "9600-8N1"},
    }
)
PROFILES: Mapping[str, Profile] = {profile.id: profile for profile in (SENSOR, METER)}

SETTINGS = "9600-8N1"
POLLED = {
    PollResult.OK: 94,
    PollResult.SILENT: 1,
    PollResult.CRC: 2,
    PollResult.LATE: 1,
    PollResult.MALFORMED: 1,
    PollResult.EXCEPTION: 1,
}

SENSOR_UNIT = UnitRecord(
    Place.parse(f"12 {SETTINGS}"),
    tag="TT-12",
    location="Hall 2, panel B",
    position=2,
    profile="garnet-gs-1",
    match=0.9,
    identity={"serial": "00451"},
    readings=tuple(
        from_document(PointReading, {**reading.document(), "read": "2026-03-02T09:00:00.000Z"})
        for reading in readings(SENSOR, {(4, 1): 0x10000 - 52})
    ),
    latency=ReplyTimes(8.1, 9.4, 15.0),
    previous_address=1,
    how_set="register 257",
    power_cycle_verified=True,
    counters=POLLED,
    notes=("behind the fan",),
    seen="2026-03-02T09:00:00.000Z",
)
METER_UNIT = UnitRecord(
    Place.parse(f"5 {SETTINGS}"),
    position=1,
    profile="hazel-hm-9",
    match=1.0,
    identity={"vendor": "Hazel Metering", "product": "HM-9-63", "revision": "1.4"},
    seen="2026-03-02T09:00:00.000Z",
)
FOUND = [
    {"address": unit.address, "settings": str(unit.settings), "kind": unit.kind}
    for unit in (SENSOR_UNIT, METER_UNIT)
]


__all__ = ["quick_disk"]


@pytest.fixture
def job(tmp_path: Path, quick_disk: None) -> Iterator[Job]:
    with Job.create(
        tmp_path / "hall.job", site="Mill Lane", segment="Hall 2", tester="R. Vale", now=Ticking()
    ) as job:
        yield job


@pytest.fixture
def done(job: Job) -> Job:
    """A job in which a segment of two units was surveyed and one of them moved."""
    job.set_meta(port="COM7", adapter="USB serial adapter")
    survey = job.begin_survey({"port": "COM7", "settings": [SETTINGS], "addresses": "1-247"})
    job.end_survey(
        survey,
        {
            "port": "COM7",
            "settings": [SETTINGS],
            "addresses": "1-247",
            "seconds": 12.3,
            "complete": True,
            "line": {"echo": False, "other_master": False, "noise_bytes": 3},
            "findings": FOUND,
            "untested": [],
            "notes": ["3 bytes of junk"],
        },
    )
    job.put_unit(SENSOR_UNIT)
    job.put_unit(METER_UNIT)
    write = job.intend_write(
        WriteIntent(
            role=Role.ADDRESS,
            source=Place.parse(f"1 {SETTINGS}"),
            target=Place.parse(f"12 {SETTINGS}"),
            write=RegisterWrite(257, (12,), Function.WRITE_SINGLE_REGISTER),
            request=bytes.fromhex("01060101000c"),
            words="Tell unit 1 to be unit 12 from now on.",
        )
    )
    job.conclude_write(
        write,
        outcome=Result.VERIFIED,
        reply=bytes.fromhex("01060101000c"),
        why="12 answers, 1 is silent",
    )
    return job


@pytest.fixture
def bus_list(done: Job) -> BusList:
    return assemble(done, PROFILES)

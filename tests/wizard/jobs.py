"""Jobs of any size, as a site would leave them."""

from __future__ import annotations

from datetime import UTC, datetime

from busprobe.job import Job, ReplyTimes, UnitRecord
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.documents import proof_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import Times
from busprobe.wiring.cautions import acknowledgement
from tests.job.readings import reading

_READINGS = (
    ("Temperature", 4, 1, "21.4 °C", True),
    ("Humidity", 4, 2, "146.5 %", False),
    ("Status word", 3, 0x2100, "run, ready", None),
)
_IDENTITY = {
    "vendor": "Aldermoor Instruments",
    "product": "AT-10",
    "revision": "2.0",
    "serial": "AT-0417",
}
_FOUND = {1: "clash", 247: "unsure"}


def settings_of(address: int) -> LineSettings:
    """Every third unit is at other line settings."""
    return LineSettings.parse("9600-8N1" if address % 3 else "19200-8E1")


def fill(job: Job, count: int) -> None:
    """Units from address 1, of which the first is a clash where there are several: found, half of
    them tagged and identified, and polled."""
    readings = tuple(
        reading(name, function=function, register=register, text=text, plausible=plausible)
        for name, function, register, text, plausible in _READINGS
    )
    for address in range(1, count + 1):
        place, clash = Place(address, settings_of(address)), address == 1 and count > 1
        if clash:
            job.put_unit(UnitRecord(place, kind=EntryKind.CLASH))
            continue
        known = address % 2 == 0
        job.put_unit(
            UnitRecord(
                place,
                tag=f"TE-{100 + address}" if known else "",
                location=f"Panel {address % 7}" if known else "",
                position=address if known else None,
                profile="aldermoor-at-10" if known else "corran-cd-2",
                match=0.93 if known else 0.88,
                identity=_IDENTITY if known else {},
                readings=readings if known else (),
                latency=ReplyTimes(10.0, 12.0, 14.5),
            )
        )
    _survey(job, count)
    job.record("cautions", acknowledgement("K. Marsh", datetime(2026, 1, 1, tzinfo=UTC)))
    job.record("prove", proof_document(proof(count)))


def _survey(job: Job, count: int) -> None:
    asked = {
        "port": "virtual:site",
        "settings": ["9600-8N1", "19200-8E1"],
        "addresses": "1-247",
        "expect": None,
    }
    findings = [
        {
            "address": address,
            "settings": str(settings_of(address)),
            "kind": _FOUND.get(address, "unit") if count > 1 else "unit",
            "latency_ms": 12.0,
            "profile": None,
            "match": None,
            "identity": None,
            "evidence": ["01 03 02 00 2A 39 9B"],
            "notes": ["Two units overlap."] if _FOUND.get(address) == "clash" else [],
        }
        for address in range(1, count + 1)
    ]
    job.end_survey(
        job.begin_survey(asked),
        {
            "format": "busprobe.survey/1",
            **asked,
            "seconds": 312.0,
            "complete": True,
            "line": {"echo": False, "other_master": False, "noise_bytes": 0},
            "findings": findings,
            "asked": [],
            "untested": [],
            "notes": [],
            "failure": None,
        },
    )


def proof(count: int) -> Proof:
    """A run in which one of the units lost replies."""
    times = Times()
    for milliseconds in (10, 11, 11, 12, 12, 12, 13, 15):
        times = times.adding(milliseconds / 1000)
    first = min(2, count)
    tallies = tuple(
        UnitTally(
            Place(address, settings_of(address)),
            {Verdict.OK: 190, Verdict.SILENT: 7, Verdict.CRC_BAD: 3}
            if address == first + 1
            else {Verdict.OK: 200},
            reply_times=times,
        )
        for address in range(first, count + 1)
    )
    return Proof(
        tallies,
        reply_wait=1.0,
        late_wait=0.5,
        pause=0.0,
        seconds=95.0,
        rounds=200,
        complete=True,
    )

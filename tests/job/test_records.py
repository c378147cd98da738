from __future__ import annotations

from typing import Any

from busprobe.job import Circuit, ReplyTimes, UnitRecord, unit_from_finding
from busprobe.job.records import PollResult
from busprobe.line.place import Place

KNOWN = UnitRecord(
    Place.parse("12 9600-8N1"),
    tag="TT-12",
    location="Hall 2",
    position=3,
    profile="aldermoor-at-10",
    match=0.9,
    identity={"vendor": "Aldermoor Instruments", "serial": "A1"},
    previous_address=1,
    power_cycle_verified=True,
    counters={PollResult.OK: 10},
    latency=ReplyTimes(8.0, 9.0, 12.0),
    notes=("behind the fan",),
    noted={"supply": "F3", "serial": "7"},
    circuits=(Circuit("L1", ct="4", direction_checked=True),),
    seen="earlier",
)


def finding(**changes: Any) -> dict[str, Any]:
    plain = {
        "address": 12,
        "settings": "9600-8N1",
        "kind": "unit",
        "latency_ms": 11.8,
        "profile": None,
        "match": 0.0,
        "identity": {"vendor": "", "product": "", "revision": ""},
        "evidence": ["0C 83 02"],
        "notes": ["answered with an exception"],
    }
    return {**plain, **changes}


def test_a_first_finding_makes_an_entry() -> None:
    identity = {"vendor": "Brookvale Metering", "product": "BM-330", "revision": ""}
    found = finding(profile="brookvale-bm-330", match=0.8, identity=identity)
    unit = unit_from_finding(found, seen="now", by="R. Vale")
    assert unit == UnitRecord(
        Place.parse("12 9600-8N1"),
        profile="brookvale-bm-330",
        match=0.8,
        identity={"vendor": "Brookvale Metering", "product": "BM-330"},
        found_identity={"vendor": "Brookvale Metering", "product": "BM-330"},
        latency=ReplyTimes(median_ms=11.8),
        notes=("answered with an exception",),
        seen="now",
        seen_by="R. Vale",
    )


def test_what_is_known_of_a_unit_stays_when_it_is_seen_again() -> None:
    unit = unit_from_finding(finding(), seen="now", by="R. Vale", known=KNOWN)
    assert (unit.tag, unit.profile, unit.match, unit.latency) == (
        "TT-12",
        "aldermoor-at-10",
        0.9,
        KNOWN.latency,
    )
    assert unit.identity == KNOWN.identity
    assert unit.power_cycle_verified is True
    assert (unit.seen, unit.notes) == ("now", ("behind the fan", "answered with an exception"))


def test_the_same_note_is_not_repeated() -> None:
    once = unit_from_finding(finding(), seen="now", by="R. Vale", known=KNOWN)
    assert unit_from_finding(finding(), seen="later", by="R. Vale", known=once).notes == once.notes


def test_another_device_at_the_address_keeps_the_place_and_nothing_of_the_device() -> None:
    unit = unit_from_finding(
        finding(identity={"vendor": "Brookvale Metering"}), seen="now", by="R. Vale", known=KNOWN
    )
    assert (unit.tag, unit.location, unit.position) == ("TT-12", "Hall 2", 3)
    assert (unit.profile, unit.match, unit.previous_address, unit.power_cycle_verified) == (
        None,
        None,
        None,
        None,
    )
    assert (unit.counters, unit.identity) == ({}, {"vendor": "Brookvale Metering"})
    assert unit.noted == {"supply": "F3"}
    assert unit.circuits == (Circuit("L1", ct="4"),), (
        "the panel stays, and the direction is to be checked anew"
    )
    assert unit.notes == (
        "behind the fan",
        "Before now another device answered here: Aldermoor Instruments A1.",
        "answered with an exception",
    )

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace

import pytest
from crccheck.crc import CrcModbus

from busprobe.handover.bus_list import BusList, PointRow, StepSheet, UnitRow
from busprobe.handover.formats import polling_files
from busprobe.handover.known_bus import polling_of
from busprobe.job.intervals import USUAL
from busprobe.job.records import EntryKind
from busprobe.modbus.replies import Verdict
from busprobe.prove.bus_polling import cycle_words
from busprobe.prove.documents import trial_document
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import Times
from busprobe.prove.trial import Trial
from busprobe.text import hex_bytes
from tests.handover.formats.test_csv_files import records
from tests.handover.hostile import EMPTY, MADE, proof_of

UNIT = UnitRow(
    number=1,
    state=EntryKind.UNIT,
    address=12,
    settings="9600-8N1",
    tag="TT-12",
    registers_a_request=125,
    gap_ms=20.0,
    latency_median_ms=10.0,
    polls=400,
)


def point(register: int, count: int = 1, **changes: object) -> PointRow:
    made = PointRow(
        address=12,
        settings="9600-8N1",
        tag="TT-12",
        profile="invented",
        name=f"p{register}",
        function=3,
        register=register,
        sheet_register=None,
        numbering=None,
        count=count,
        type="int16",
        word_order=None,
        unit="",
        scale=None,
        offset=None,
        plausible_min=None,
        plausible_max=None,
        registers=None,
        value=None,
        text="",
        plausible=None,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def listing(*points: PointRow, unit: UnitRow = UNIT) -> BusList:
    return replace(EMPTY, units=(unit,), points=points)


def requests(bus_list: BusList) -> list[dict[str, str]]:
    return records(polling_files.files(bus_list)["polling-table.csv"])


def notes(bus_list: BusList) -> Mapping[str, dict[str, str]]:
    return {row["What"]: row for row in records(polling_files.files(bus_list)["polling-notes.csv"])}


def test_neighbours_are_read_by_one_request_with_its_bytes() -> None:
    (row,) = requests(listing(point(0), point(1, 2)))
    assert (row["Address"], row["Function"], row["Register"], row["Registers"]) == (
        "12",
        "3",
        "0",
        "3",
    )
    assert row["Points"] == "p0 | p1"
    body = bytes.fromhex("0C 03 00 00 00 03")  # MODBUS Application Protocol V1.1b3, section 6.3
    assert row["Request hex"] == hex_bytes(body + CrcModbus.calc(body).to_bytes(2, "little"))


def test_times_are_those_of_the_wire_and_of_the_measured_unit() -> None:
    """8N1 is 10 bits a character; 8 characters out, 7 back, 3.5 before (V1.02, sections 2.5.1 and
    2.5.1.1)."""
    (row,) = requests(listing(point(0)))
    character = 1000 * 10 / 9600
    assert float(row["Gap before ms"]) == pytest.approx(3.5 * character + 20, abs=0.06)
    assert float(row["Exchange ms"]) == pytest.approx(
        3.5 * character + 20 + 15 * character + 10, abs=0.06
    )
    found = notes(listing(point(0)))
    assert found["Whole cycle, computed"]["Value"] == row["Exchange ms"]
    assert found["Whole cycle at 9600 baud"]["Value"] == row["Exchange ms"]
    assert float(found["Whole cycle at 1200 baud"]["Value"]) > float(row["Exchange ms"])
    load = 100 * float(row["Exchange ms"]) / (1000 * USUAL)
    assert float(found["Bus load, computed"]["Value"]) == pytest.approx(load, abs=0.06)


def test_a_register_that_says_a_scale_is_read_with_its_value() -> None:
    (row,) = requests(listing(point(0, scale_register=2), point(1, scale_register=2)))
    assert (row["Registers"], row["Points"]) == ("3", "p0 | p1 | scale of p1")


@pytest.mark.parametrize(
    ("change", "assumed"),
    [
        ({"latency_median_ms": None}, "reply time not measured, 100 ms assumed"),
        ({"polls": None}, "reply time from the few requests of the survey"),
        ({"registers_a_request": None}, "125 assumed"),
        ({"match": 0.3}, "the device type is not certain"),
    ],
)
def test_what_was_not_measured_is_called_assumed(change: dict[str, object], assumed: str) -> None:
    known = listing(point(0), unit=replace(UNIT, match=1.0))
    assert polling_of(known).assumed == (polling_of(listing(point(0))).assumed)
    unit = replace(UNIT, **change)  # type: ignore[arg-type]
    more = set(polling_of(listing(point(0), unit=unit)).assumed) - set(polling_of(known).assumed)
    assert len(more) == 1
    assert assumed in more.pop()


def test_the_interval_is_called_an_assumption_until_somebody_says_it() -> None:
    found = listing(point(0))
    assert polling_of(found).wanted.startswith("Poll interval not set: every 10 s is taken")
    said = replace(
        found, segment=replace(found.segment, every_s=2.0), points=(point(0, every_s=2.0),)
    )
    assert polling_of(said).wanted == "Values are wanted every 2 s."
    assert notes(said)["Wanted"]["Value"] == "2.0"


def test_an_urgent_value_is_asked_for_by_itself_and_takes_its_scale_along() -> None:
    rows = requests(
        listing(point(0, every_s=0.5, scale_register=1), *(point(n) for n in range(40, 100)))
    )
    assert [(row["Every s"], row["Points"].split(" | ")[0]) for row in rows] == [
        ("0.5", "p0"),
        ("10.0", "p40"),
    ]
    assert rows[0]["Points"] == "p0 | scale of p0"


def test_registers_in_between_are_named_as_not_tried() -> None:
    found = listing(point(0), point(2))
    assert requests(found)[0]["Registers in between"] == "1"
    assert any("in between" in words for words in polling_of(found).assumed)


def tried(bus_list: BusList, **changes: object) -> BusList:
    """The list after its table was tried: all given, nothing refused, 43.5 ms a cycle."""
    table = polling_of(bus_list).table
    given = tuple((row.place, row.block) for row in table.rows)
    tally = UnitTally(table.rows[0].place, {Verdict.OK: 20})
    cycles = Proof((tally,), 1.0, 0.5, 0.0, rounds=20, round_times=Times().adding(0.0435))
    document = trial_document(Trial(table, given, ()), cycles)
    return replace(bus_list, trial=StepSheet(MADE, json.loads(json.dumps({**document, **changes}))))


def test_the_cycle_measured_on_the_bus_stands_beside_the_computed_one() -> None:
    found = listing(point(0), point(2))
    assert notes(found)["Whole cycle, measured"]["Value"] == "not tested"
    after = tried(found)
    assert notes(after)["Whole cycle, measured"]["Value"] == "43.5"
    assert "no poll failed" in cycle_words(polling_of(after))
    assert not any("in between" in words for words in polling_of(after).assumed)


def test_a_measured_cycle_of_other_requests_is_not_shown() -> None:
    """Nobody measured the table as it is now."""
    after = replace(tried(listing(point(0))), points=(point(0), point(1)))
    assert polling_of(after).measured is None
    assert "not yet tried" in cycle_words(polling_of(after))


def test_what_a_trial_showed_to_be_refused_is_not_asked_for_again() -> None:
    hole = {"address": 12, "settings": "9600-8N1", "function": 3, "register": 1, "count": 1}
    found = tried(listing(point(0), point(2)), refused=[hole])
    assert [row["Registers"] for row in requests(found)] == ["1", "1"]


def test_who_is_not_asked_and_why() -> None:
    silent = replace(UNIT, address=13, tag="")
    clash = replace(UNIT, address=14, state=EntryKind.CLASH, tag="")
    found = replace(listing(point(0), point(9, 200)), units=(UNIT, silent, clash))
    assert polling_of(found).not_asked == (
        "Address 13 (0x0D) 9600-8N1: no points are known.",
        "Address 14 (0x0E) 9600-8N1: clash, so it is not polled.",
        "Address 12 (0x0C), p9: 200 registers in one request, the unit gives 125.",
    )


def test_what_is_so_of_many_units_is_said_once() -> None:
    units = tuple(
        replace(UNIT, address=address, latency_median_ms=None) for address in (12, 13, 14, 20)
    )
    points = tuple(replace(point(0), address=unit.address) for unit in units)
    unknown = ((30, "9600-8N1"), (31, "9600-8N1"), (32, "19200-8E1"))
    silent = tuple(
        replace(UNIT, address=address, settings=settings) for address, settings in unknown
    )
    made = polling_of(replace(listing(point(0)), units=(*units, *silent), points=points))
    assert made.not_asked == ("Addresses 30-31 at 9600-8N1; 32 at 19200-8E1: no points are known.",)
    assert (
        "Addresses 12-14,20 at 9600-8N1: reply time not measured, 100 ms assumed." in made.assumed
    )


def test_different_line_settings_cannot_be_one_masters_table() -> None:
    other = replace(UNIT, address=20, settings="19200-8E1")
    found = replace(listing(point(0)), units=(UNIT, other))
    assert any("line settings differ" in words for words in polling_of(found).assumed)


def test_the_measured_round_stands_beside_the_computed_cycle() -> None:
    assert "Round as measured" not in notes(listing(point(0)))
    measured = notes(replace(listing(point(0)), proof=proof_of(12, milliseconds=33.0)))[
        "Round as measured"
    ]
    assert (measured["Value"], measured["Unit"]) == ("33.2", "ms")


def test_without_points_the_table_is_empty_and_assumes_nothing() -> None:
    assert requests(EMPTY) == []
    assert polling_of(EMPTY).assumed == ()
    assert "Whole cycle, computed" not in notes(EMPTY)

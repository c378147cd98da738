"""The acceptance record passes only what was seen, and says of whom where it was not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.handover.bus_list import BusList, CircuitRow, StepSheet, UnitRow
from busprobe.handover.table import NOT_TESTED
from busprobe.handover.tables.acceptance import FAIL, NOT_COMPLETE, NOTED, PASS, acceptance_table
from busprobe.job import Circuit
from busprobe.job.endurance_bound import EnduranceBound
from busprobe.job.records import EntryKind
from busprobe.wiring.record import wiring_document
from busprobe.wiring.resistance import judge_resistance
from tests.handover.hostile import EMPTY, MADE, proof_of


def results(bus_list: BusList) -> dict[str, tuple[str, str]]:
    """Check to what was measured and the result."""
    return {str(row[0]): (str(row[3]), str(row[4])) for row in acceptance_table(bus_list).rows}


def unit(address: int, **changes: object) -> UnitRow:
    known = UnitRow(
        number=1,
        state=EntryKind.UNIT,
        address=address,
        settings="9600-8N1",
        maker="Garnet",
        power_cycle_verified=True,
        label_fitted=True,
    )
    return replace(known, **changes)  # type: ignore[arg-type]


def listing(*units: UnitRow, settings: tuple[str, ...] = ("9600-8N1",)) -> BusList:
    return replace(EMPTY, units=units, segment=replace(EMPTY.segment, settings=settings))


def test_where_nobody_looked_nothing_passes() -> None:
    assert {result for _, result in results(EMPTY).values()} == {NOT_TESTED}


def test_a_surveyed_and_measured_segment_passes_check_by_check(bus_list: BusList) -> None:
    found = results(bus_list)
    assert found["Each address is one unit's"] == ("no clash seen", PASS)
    assert found["Line settings agree on all units"] == ("9600-8N1", PASS)
    assert found["Every unit is identified"] == ("2 units", PASS)
    assert found["Units are as planned"] == ("", NOT_TESTED)
    assert found["Address kept through a power cycle"] == ("not tested at 5", NOT_TESTED)


def test_a_bus_that_is_as_planned_passes_and_a_unit_nobody_planned_is_named() -> None:
    check = "Units are as planned"
    planned = unit(5, plan="as planned", as_planned=True)
    assert results(listing(planned))[check] == ("1 as planned", PASS)
    assert results(listing(planned, unit(6, plan="not planned", as_planned=False)))[check] == (
        "1 as planned; not so at 6",
        FAIL,
    )


def test_a_unit_is_identified_by_its_maker_or_its_model() -> None:
    check = "Every unit is identified"
    assert results(listing(unit(5, maker="", model="GS-1"), unit(6)))[check] == ("2 units", PASS)
    assert results(listing(unit(5, maker=""), unit(6)))[check] == ("not tested at 5", NOT_TESTED)


def test_every_value_has_to_be_read_and_to_make_sense(bus_list: BusList) -> None:
    check = "Every value is read"
    assert results(bus_list)[check] == ("not tested at 5,12", NOT_TESTED)
    read = [replace(point, registers=(1,), plausible=None) for point in bus_list.points]
    sound = replace(
        bus_list, points=tuple(read), units=tuple(u for u in bus_list.units if u.address == 12)
    )
    assert results(sound)[check] == ("1 units", PASS)
    odd = replace(sound, points=(replace(read[0], plausible=False), *read[1:]))
    assert results(odd)[check] == ("not at 12", FAIL)
    of_another = replace(odd, points=tuple(replace(point, address=77) for point in odd.points))
    assert results(of_another)[check] == ("not tested at 12", NOT_TESTED)


def test_current_transformers_pass_only_where_every_direction_was_checked() -> None:
    check = "Current transformers point the right way"
    right = CircuitRow(41, "9600-8N1", "EM-1", Circuit("L1", direction_checked=True), "")
    assert check not in results(EMPTY)
    assert results(replace(EMPTY, circuits=(right,)))[check] == ("1 channels", PASS)
    for answer in (False, None):
        left = replace(right, circuit=Circuit("L2", direction_checked=answer))
        assert results(replace(EMPTY, circuits=(right, left)))[check] == (
            "not checked: 41 L2",
            NOT_TESTED,
        )


def test_raw_bytes_of_an_exchange_are_asked_of_each_unit() -> None:
    check, kept = "Raw bytes of one exchange are kept", ("05 03", "05 83")
    assert results(listing(unit(5, sample=kept), unit(6, sample=kept)))[check] == ("2 units", PASS)
    assert results(listing(unit(5, sample=kept), unit(6)))[check] == ("not tested at 6", NOT_TESTED)


@pytest.mark.parametrize(
    ("check", "wrong"),
    [
        ("Each address is one unit's", listing(unit(5), unit(6, state=EntryKind.CLASH))),
        ("Each address is one unit's", listing(unit(5), unit(5, settings="19200-8E1"))),
        ("Line settings agree on all units", listing(unit(5), settings=("9600-8N1", "19200-8E1"))),
        (
            "Units are as planned",
            listing(
                unit(5, plan="as planned", as_planned=True),
                unit(6, plan="not planned", as_planned=False),
            ),
        ),
        (
            "Address kept through a power cycle",
            listing(unit(5), unit(6, power_cycle_verified=False)),
        ),
        ("Labels fitted", listing(unit(5, label_fitted=False), unit(6, label_fitted=None))),
    ],
)
def test_what_is_wrong_at_one_fails_the_whole(check: str, wrong: BusList) -> None:
    measured, result = results(wrong)[check]
    assert result == FAIL
    assert measured


@pytest.mark.parametrize(("ohms", "result"), [(60.0, PASS), (120.0, FAIL)])
def test_a_meter_reading_passes_or_fails_by_its_verdict(ohms: float, result: str) -> None:
    wiring = StepSheet(MADE, wiring_document([judge_resistance(ohms)], [], listened=True))
    measured = replace(EMPTY, segment=replace(EMPTY.segment, wiring=wiring))
    assert results(measured)["A-B resistance, power off"][1] == result
    assert results(measured)["A-B idle voltage"][1] == NOT_TESTED


def run_of(*addresses: int, replies: int = 600, minutes: float = 15.0, **of_run: str) -> BusList:
    """A list of unit 5 and a run of these addresses."""
    proof = proof_of(*addresses, replies=replies, **of_run)  # type: ignore[arg-type]
    assert proof.latest is not None
    lasted = replace(proof.latest, document={**proof.latest.document, "seconds": 60 * minutes})
    return replace(listing(unit(5)), proof=replace(proof, latest=lasted))


@pytest.mark.parametrize(
    ("replies", "minutes", "result"),
    [
        (40, 0.15, "too short to say"),  # nine seconds
        (40, 15.0, "too short to say"),  # 1 - 0.05^(1/40) is 7.2 %
        (598, 14.9, "too short to say"),
        (597, 15.0, "too short to say"),
        (598, 15.0, PASS),  # 1 - 0.05^(1/598) is 0.49970 %, of 597 it is 0.50054 %
    ],
)
def test_an_endurance_run_passes_against_its_bound_alone(
    replies: int, minutes: float, result: str
) -> None:
    run = run_of(5, replies=replies, minutes=minutes)
    assert results(run)["Endurance run"][1] == result


def test_an_endurance_run_is_told_with_its_bound_and_the_worst_unit() -> None:
    run = run_of(5)
    (row,) = (row for row in acceptance_table(run).rows if row[0] == "Endurance run")
    assert row[2] == (
        "at most 0.5 % of polls failed at every unit with 95 % confidence, at least 15 min, no"
        " unsolicited frame (default of busprobe)"
    )
    assert row[3] == "0 of 600 polls failed in 15.0 min; unit 5 at most 0.5 % (0 of 600 polls)"
    agreed = EnduranceBound(10.0, 1.0, "specification E-7")
    easy = run_of(5, replies=40, minutes=1.0)
    easy = replace(easy, segment=replace(easy.segment, bound=agreed))
    (row,) = (row for row in acceptance_table(easy).rows if row[0] == "Endurance run")
    assert "(specification E-7)" in str(row[2])
    assert row[4] == PASS


def test_an_endurance_run_passes_only_whole_and_of_every_unit() -> None:
    run = run_of(5)
    other = replace(run, units=(unit(5), unit(6)))
    assert results(other)["Endurance run"][1] == NOT_COMPLETE
    assert "not polled: 6" in results(other)["Endurance run"][0]
    cut = run_of(5, words="adapter lost")
    assert results(cut)["Endurance run"][1] == NOT_COMPLETE
    assert results(cut)["Endurance run"][0].endswith("; not finished")


@pytest.mark.parametrize(
    ("shown", "tolerance", "measured", "result"),
    [
        ("", 0.5, "", NOT_TESTED),
        ("-5.1 °C", None, "1 of 1 values noted; 1 without a tolerance to judge by", NOTED),
        ("about 5", 0.5, "1 of 1 values noted; 1 without a tolerance to judge by", NOTED),
        ("-5.1 °C", 0.5, "1 of 1 values noted", PASS),
        ("-3 °C", 0.5, "1 of 1 values noted; 1 beyond tolerance", FAIL),
    ],
)
def test_values_are_held_against_a_display_by_their_tolerance(
    bus_list: BusList, shown: str, tolerance: float | None, measured: str, result: str
) -> None:
    points = [
        replace(point, reference=shown, tolerance=tolerance)
        for point in bus_list.points
        if point.registers
    ]
    check = "Values held against a display or a reference"
    assert results(replace(bus_list, points=tuple(points)))[check] == (measured, result)

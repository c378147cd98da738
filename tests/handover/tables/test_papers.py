from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from busprobe.handover.assemble import assemble
from busprobe.handover.bus_list import BusList, StepSheet
from busprobe.handover.table import Cell, Table, cell_text
from busprobe.handover.tables.papers import (
    journal_table,
    page_tables,
    point_table,
    segment_table,
    whole_tables,
    wiring_table,
)
from busprobe.handover.tables.proof_table import proof_table
from busprobe.handover.visits import with_earlier
from busprobe.job import Job
from busprobe.text import harmless
from busprobe.wiring.record import wiring_document
from busprobe.wiring.resistance import judge_resistance
from tests.handover.conftest import SENSOR
from tests.handover.hostile import EMPTY, proof_of


def wired(document: dict[str, Any]) -> BusList:
    return replace(EMPTY, segment=replace(EMPTY.segment, wiring=StepSheet("2026-03-02", document)))


def items(table: Table) -> dict[Cell, Cell]:
    return {row[0]: row[1] for row in table.rows}


def test_every_row_has_a_cell_for_every_column(bus_list: BusList) -> None:
    for tables in (whole_tables(bus_list), page_tables(bus_list), whole_tables(EMPTY)):
        for table in tables:
            assert {len(row) for row in table.rows} <= {len(table.columns)}


def test_the_segment_sheet_says_what_was_searched(bus_list: BusList) -> None:
    found = items(segment_table(bus_list))
    assert (found["Segment"], found["Addresses searched"], found["Survey complete"]) == (
        "Hall 2",
        "1 to 247",
        "yes",
    )
    assert (found["Spare addresses"], found["Wiring measured UTC"]) == (
        "2 to 4, 6 to 11, 13 to 239, 241 to 247",
        "not tested",
    )


def test_without_a_survey_nothing_is_called_spare() -> None:
    found = items(segment_table(EMPTY))
    assert (found["Survey"], found["Spare addresses"], found["Listened before asking"]) == (
        "not tested",
    ) * 3


def test_measurements_stand_with_their_verdicts_and_skipped_ones_as_not_tested() -> None:
    table = wiring_table(wired(wiring_document([judge_resistance(60.0)], [], listened=True)))
    verdicts = {row[0]: row[2] for row in table.rows}
    assert verdicts == {
        "A-B resistance, power off": "good",
        "A-B idle voltage": "not tested",
        "each wire to common, idle": "not tested",
        "supply at the far unit": "not tested",
    }
    (resistance,) = [row for row in table.rows if row[2] == "good"]
    assert resistance[1] == "60.0 Ω"
    assert "V1.02, section 3.4.5" in str(resistance[6])


def test_hunts_stand_with_their_log_whether_or_not_the_wiring_was_measured() -> None:
    hunts = tuple(
        StepSheet("2026-03-02", {"addresses": "1-3", "log": log})
        for log in (["09:00:01  unit 2 answers"], [])
    )
    rows = wiring_table(replace(EMPTY, segment=replace(EMPTY.segment, hunts=hunts))).rows
    assert rows[0][2:4] == ("not tested", "The wiring was not measured.")
    assert [(row[0], row[2], row[3]) for row in rows[1:]] == [
        ("hunt for 1-3", "seen", "09:00:01  unit 2 answers"),
        ("hunt for 1-3", "seen", "No unit started or stopped answering."),
    ]


def test_who_read_the_cautions_is_on_the_segment_sheet() -> None:
    read = StepSheet("2026-03-02T09:00:00Z", {"by": "J. Field"})
    found = items(segment_table(replace(EMPTY, segment=replace(EMPTY.segment, cautions=read))))
    assert found["Cautions read by"] == "J. Field, 2026-03-02T09:00:00Z"
    assert items(segment_table(EMPTY))["Cautions read by"] == "not noted"


def test_what_was_heard_stands_with_every_cause_that_fits() -> None:
    hints = [{"cause": "noise", "action": "Switch off."}, {"cause": "a clash", "action": "Unplug."}]
    heard = {"seen": "Junk was heard.", "certain": False, "hints": hints}
    kept = {"format": "busprobe.wiring/1", "observations": [heard], "patterns": [heard]}
    rows = wiring_table(wired(kept)).rows
    assert [row[0] for row in rows] == ["listening to the pair", "failures by place and time"]
    assert rows[0][1:5] == ("Junk was heard.", "seen", "noise | a clash", "Switch off. | Unplug.")


def test_a_write_of_unknown_outcome_says_so(bus_list: BusList) -> None:
    journal = replace(bus_list.journal[0], outcome=None, conclusions=())
    (row,) = journal_table(replace(bus_list, journal=(journal,))).rows
    assert "not known" in row


def test_a_proof_of_another_format_gives_its_totals_alone() -> None:
    proof = proof_of(12)
    assert proof.latest is not None
    newer = replace(proof.latest, document={**proof.latest.document, "format": "busprobe.proof/99"})
    found = items(proof_table(replace(EMPTY, proof=replace(proof, latest=newer))))
    assert found == {"Polls of all units listed": 40, "Ended as: ok": 40}


def test_cells_read_as_a_person_writes_them() -> None:
    cells = (None, True, 20.0, 0.25, 12, "x\x1b", "a\\x1b")
    assert [cell_text(cell) for cell in cells] == [
        "",
        "yes",
        "20",
        "0.25",
        "12",
        "x\\x1b",
        "a\\x1b",
    ]
    assert harmless("tab\there") == "tab\\x09here"


@pytest.mark.parametrize(
    ("noted", "deviation"),
    [
        ("-5,0 °C", -0.2),
        ("-5.2", 0.0),
        ("", None),
        ("about -5", None),
        ("nan", None),
        ("inf", None),
    ],
)
def test_a_value_is_held_against_what_was_noted_where_both_are_numbers(
    bus_list: BusList, noted: str, deviation: float | None
) -> None:
    (point,) = [point for point in bus_list.points if point.name == "Temperature"]
    assert point.value == pytest.approx(-5.2)
    assert replace(point, reference=noted).deviation == deviation
    assert replace(point, reference="7", value="run").deviation is None


@pytest.mark.parametrize(
    ("value", "noted", "tolerance", "percent", "within"),
    [
        (100.0, "101 kW", 1.0, None, "yes"),
        (100.0, "101.1 kW", 1.0, None, "no"),
        (0.3, "0.1", 0.2, None, "yes"),  # binary fractions: 0.3 - 0.1 is a hair more than 0.2
        (97.0, "100", None, 3.0, "yes"),
        (96.9, "100", None, 3.0, "no"),
        (-97.0, "-100", None, 3.0, "yes"),
        (96.5, "100", 0.5, 3.0, "yes"),
        (100.0, "100", 0.0, None, "yes"),
        (100.0, "101", None, None, "no tolerance stated"),
        ("run", "run", None, None, "cannot be compared"),
        (100.0, "", 1.0, None, None),
        (0.0, "0.4", None, 50.0, "no"),
        (100.0, "100 KW", 1.0, None, "yes"),
        (100.0, "0.1 MW", 1.0, None, "cannot be compared"),
        (1234.0, "1 234", 1.0, None, "cannot be compared"),
        (1234.5, "1.234,5", 1.0, None, "cannot be compared"),
        (21.5, "21,5", 0.0, None, "yes"),
        (None, "5", 1.0, None, "cannot be compared"),
    ],
)
def test_a_value_is_within_its_tolerance_or_not(
    bus_list: BusList,
    value: float | str | None,
    noted: str,
    tolerance: float | None,
    percent: float | None,
    within: str | None,
) -> None:
    point = replace(
        bus_list.points[0],
        value=value,
        reference=noted,
        tolerance=tolerance,
        tolerance_percent=percent,
        unit="kW",
    )
    table = point_table(replace(bus_list, points=(point,)))
    assert table.rows[0][table.columns.index("Within tolerance")] == within


def test_a_point_says_what_its_profile_says_of_it(done: Job) -> None:
    told = {"description": "of the supply air", "writable": True, "tolerance": 0.5, "channel": "A1"}
    profile = SENSOR.model_copy(
        update={"points": (SENSOR.points[0], SENSOR.points[1].model_copy(update=told))}
    )
    table = point_table(assemble(done, {profile.id: profile}))
    rows = {
        row[table.columns.index("Point")]: dict(zip(table.columns, row, strict=True))
        for row in table.rows
    }
    assert rows["Temperature"]["Access"] == "R", "an input register can only be read"
    hours = rows["Operating hours"]
    assert (hours["Access"], hours["Description"], hours["Channel"]) == (
        "R/W",
        "of the supply air",
        "A1",
    )
    assert (hours["Tolerance"], hours["Tolerance %"]) == (0.5, None)


def test_cabling_that_nobody_noted_says_so(bus_list: BusList) -> None:
    found = items(segment_table(bus_list))
    for item in (
        "Cable type",
        "Cable length m",
        "Terminators fitted at",
        "Shield earthed at",
        "Master and its port",
    ):
        assert found[item] == "not noted"
    assert found["Reserved addresses"] == "1, 240"


def test_what_is_not_as_it_was_is_a_table_of_its_own(bus_list: BusList) -> None:
    assert "comparison" not in {table.name for table in whole_tables(bus_list)}
    earlier = replace(bus_list, units=bus_list.units[:1])
    compared = with_earlier(bus_list, earlier, "spring.busjob")
    (table,) = [table for table in whole_tables(compared) if table.name == "comparison"]
    assert [row[0] for row in table.rows[:2]] == ["earlier visit", "extra"]
    assert table in page_tables(compared)

"""The forms of the hand over without a screen: answers become records and records become
answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from busprobe.errors import UsageError
from busprobe.handover.bus_list import UnitRow
from busprobe.handover.missing import Ask, missing
from busprobe.handover.rows import unit_row
from busprobe.job import Cabling, JobMeta, UnitRecord
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.wizard.common.form import Field, values
from busprobe.wizard.common.unit_form import noted_unit, unit_fields
from busprobe.wizard.handover.forms import (
    cabling_fields,
    detail_fields,
    references,
    value_fields,
)
from busprobe.wizard.identify.step import IdentifyStep
from busprobe.wizard.prove.step import ProveStep
from busprobe.wizard.readdress.step import ReaddressStep
from busprobe.wizard.survey.step import SurveyStep
from busprobe.wizard.wiring.step import WiringStep
from tests.handover.hostile import EMPTY
from tests.job.readings import reading

NOTED = {"supply": "24 V", "maker": "Garnet", "serial": "7", "remark": "behind the fan"}
UNIT = UnitRecord(
    Place.parse("12 9600-8N1"),
    tag="T",
    position=3,
    distance_m=12.5,
    terminator=False,
    label_fitted=True,
    noted=NOTED,
)
PAIR = Cabling(
    "PLC",
    "",
    "2 x 0.8",
    120.5,
    "one line",
    True,
    "master",
    "yes",
    "A",
    "meter",
    "A. Bell",
    "200-205",
)


def given(fields: Sequence[Field], **changes: str) -> dict[str, Any]:
    """What the form gives back when only `changes` were typed."""
    return values(fields, {field.name: field.value for field in fields} | changes)


@pytest.mark.parametrize("unit", [UNIT, UnitRecord(Place.parse("12 9600-8N1"))])
def test_a_unit_form_that_is_only_looked_at_changes_nothing(unit: UnitRecord) -> None:
    assert noted_unit(**given(unit_fields(unit)))(unit) == unit


@pytest.mark.parametrize("pair", [PAIR, Cabling()])
def test_a_form_of_the_pair_that_is_only_looked_at_changes_nothing(pair: Cabling) -> None:
    assert Cabling(**given(cabling_fields(pair))) == pair


def test_what_the_unit_says_itself_is_not_asked_and_what_was_noted_before_is_kept() -> None:
    talking = replace(
        UNIT, identity={"vendor": "Hazel", "product": "H", "serial": "9", "revision": "2"}
    )
    asked = {field.name for field in unit_fields(talking)}
    assert asked.isdisjoint({"maker", "model", "serial", "revision"})
    assert noted_unit(**given(unit_fields(talking), supply=""))(talking).noted == {
        "maker": "Garnet",
        "serial": "7",
        "remark": "behind the fan",
    }


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"position": "0"}, "'0' is no place along the cable."),
        ({"distance_m": "-1"}, "'-1' is no length."),
        ({"distance_m": "nan"}, "'nan' is no length."),
    ],
)
def test_a_wrong_answer_is_named(change: dict[str, str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        noted_unit(**given(unit_fields(UNIT), **change))
    noted = noted_unit(**given(unit_fields(UNIT), distance_m="7,5 m", terminator="yes"))(UNIT)
    assert (noted.distance_m, noted.terminator) == (7.5, True)


def test_addresses_to_keep_free_are_read_and_written_the_shortest_way() -> None:
    with pytest.raises(UsageError, match="is not a set of unit addresses"):
        Cabling(**given(cabling_fields(PAIR), keep_free="0"))
    assert Cabling(**given(cabling_fields(PAIR), keep_free="7, 5,6")).keep_free == "5-7"


def test_values_on_the_display_are_kept_by_the_names_of_their_points() -> None:
    power = reading("Power", unit="kW", scale=0.1, registers=(43,), value=4.3, text="4.3 kW")
    energy = replace(power, name="Energy", text="18 kWh")
    unit = replace(UNIT, readings=(power, energy), references={"Energy": "18.1"})
    fields = value_fields(unit)
    assert [(field.label, field.value) for field in fields] == [
        ("Power: 4.3 kW", ""),
        ("Energy: 18 kWh", "18.1"),
    ]
    assert references(unit, **given(fields, v0="4.2 kW", v1="")) == {"Power": "4.2 kW"}


def test_every_gap_is_asked_for_by_a_form_or_leads_to_a_step() -> None:
    steps = {
        step.TITLE for step in (SurveyStep, WiringStep, IdentifyStep, ReaddressStep, ProveStep)
    }
    forms = {Ask.DETAILS, Ask.PAIR, Ask.UNIT, Ask.CONFIRM, Ask.VALUES, Ask.CIRCUITS}
    assert {str(ask) for ask in Ask if ask not in forms} == steps


def test_all_that_a_person_notes_of_a_unit_stands_in_its_row() -> None:
    """A field of the form gets there by its name alone, through the entry in the job."""
    typed = {field.name: "yes" for field in unit_fields(UnitRecord(UNIT.place))}
    typed |= {"position": "3", "distance_m": "12,5"}
    fields = unit_fields(UnitRecord(UNIT.place))
    row = unit_row(1, noted_unit(**values(fields, typed))(UnitRecord(UNIT.place)), None)
    shown = {field.name: getattr(row, field.name, None) for field in fields}
    remark = shown.pop("remark")
    assert (remark, row.remarks) == (None, ("yes",))
    assert {name: shown.pop(name) for name in ("position", "distance_m")} == {
        "position": 3,
        "distance_m": 12.5,
    }
    assert all(value in ("yes", True) for value in shown.values()), shown


@pytest.mark.parametrize(
    ("ask", "fields"),
    [
        (Ask.UNIT, unit_fields(UnitRecord(UNIT.place))),
        (Ask.PAIR, cabling_fields(Cabling())),
        (Ask.DETAILS, detail_fields(JobMeta())),
    ],
)
def test_what_is_missing_is_asked_for_in_a_field_that_the_form_has(
    ask: Ask, fields: tuple[Field, ...]
) -> None:
    unit = UnitRow(number=1, state=EntryKind.UNIT, address=12, settings="9600-8N1")
    segment = replace(EMPTY.segment, site="", segment="", tester="", cabling=Cabling())
    asked = {
        gap.field
        for gap in missing(replace(EMPTY, segment=segment, units=(unit,)))
        if gap.ask is ask
    }
    assert asked
    assert asked <= {field.name for field in fields}

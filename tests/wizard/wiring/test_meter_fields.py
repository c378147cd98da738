"""The fields of the meter form without their screen: readings judged as they are typed."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busprobe.wiring.meter import Level
from busprobe.wiring.wire_names import Labels
from busprobe.wizard.wiring.meter_fields import FIELDS, judge_form


def test_an_empty_form_is_not_measured_and_never_good() -> None:
    judged = judge_form({}, Labels.SIGN)
    assert {judgement.level for judgement in judged.by_field.values()} == {Level.NOT_MEASURED}


def test_a_mistyped_reading_is_named_and_the_others_are_still_judged() -> None:
    judged = judge_form({"resistance": "sixty", "idle": "0.31"}, Labels.SIGN)
    assert "'sixty' is not a meter reading" in judged.mistakes["resistance"]
    assert judged.by_field["resistance"].level is Level.NOT_MEASURED
    assert judged.by_field["idle"].level is Level.GOOD


def test_a_negative_idle_voltage_is_wrong_only_where_the_sign_means_something() -> None:
    """Terminals marked A and B follow two opposite conventions (MODBUS over Serial Line V1.02,
    section 3.3.2)."""
    assert judge_form({"idle": "-0.3"}, Labels.SIGN).by_field["idle"].level is Level.WRONG
    assert judge_form({"idle": "-0.3"}, Labels.LETTERS).by_field["idle"].level is Level.GOOD


@settings(max_examples=60)
@given(st.dictionaries(st.sampled_from([field.name for field in FIELDS]), st.text(max_size=8)))
@example({"nominal": "0"})
@example({"nominal": "-24", "supply": "24"})
def test_whatever_is_typed_gives_a_judgement_or_a_named_mistake(typed: dict[str, str]) -> None:
    judged = judge_form(typed, Labels.SIGN)
    assert set(judged.mistakes) <= set(typed)
    assert set(judged.by_field) == {"resistance", "idle", "d0", "supply"}


@pytest.mark.parametrize(
    ("supply", "wanted", "level", "mistaken"),
    [
        ("21", "", Level.ATTENTION, False),
        ("21", "8-30", Level.GOOD, False),
        ("7,5", "8 to 30 V", Level.WRONG, False),
        ("12", "12", Level.GOOD, False),
        ("24", "30-8", Level.NOT_MEASURED, True),
        ("24", "8-", Level.NOT_MEASURED, True),
        ("24", "0", Level.NOT_MEASURED, True),
    ],
)
def test_a_supply_is_judged_by_its_data_sheet_where_that_is_known(
    supply: str, wanted: str, level: Level, mistaken: bool
) -> None:
    """A nominal voltage with 10 % (common practice), or the range of the data sheet; what is
    neither is named."""
    judged = judge_form({"supply": supply, "nominal": wanted}, Labels.SIGN)
    assert judged.by_field["supply"].level is level
    assert ("nominal" in judged.mistakes) is mistaken


def test_readings_are_judged_together() -> None:
    """3 V in idle are odd on a terminated pair, right on one without, and no contradiction to 4 V
    and 1 V."""
    high = {"idle": "3", "d1": "4", "d0": "1"}
    assert judge_form(high, Labels.SIGN).by_field["idle"].level is Level.ATTENTION
    alone = judge_form({**high, "resistance": "OL"}, Labels.SIGN)
    assert (alone.by_field["idle"].level, alone.by_field["d0"].level) == (Level.GOOD, Level.GOOD)


def test_a_long_cable_belongs_to_the_resistance() -> None:
    """1000 m of AWG24 are 168 Ω out and back: two terminators of 120 Ω then show 85 Ω (computed),
    as others might."""
    short = judge_form({"resistance": "85"}, Labels.SIGN)
    assert short.by_field["resistance"].words == "85.0 Ω fits one terminator of 120 Ω."
    long = judge_form({"resistance": "85", "cable": "1000"}, Labels.SIGN)
    assert (
        "fits a short, both terminators of 120 or 150 Ω as well as one terminator"
        in long.by_field["resistance"].words
    )
    unknown = judge_form({"resistance": "85", "cable": "far"}, Labels.SIGN)
    assert "cable" in unknown.mistakes
    assert unknown.by_field["resistance"].words == "Not judged: 'cable length' cannot be read."

"""The wiring step without its screen: the meter form, the forms of the calculations, and what is
said."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.wiring.calculations import CALCULATIONS, Calculation, known_inputs
from busprobe.wiring.listening import RecordedListening, RecordedRequest
from busprobe.wiring.meter import Level
from busprobe.wiring.wire_names import Labels
from busprobe.wizard.common.step import StepState
from busprobe.wizard.wiring import words as wiring_words
from busprobe.wizard.wiring.meter_fields import judge_form

AT_9600 = LineSettings.parse("9600-8N1")
KNOWN = known_inputs(AT_9600, 6)


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
    assert short.by_field["resistance"].words == "85.0 Ω fits one terminator."
    long = judge_form({"resistance": "85", "cable": "1000"}, Labels.SIGN)
    assert (
        "fits a short, both terminators as well as one terminator"
        in long.by_field["resistance"].words
    )
    unknown = judge_form({"resistance": "85", "cable": "far"}, Labels.SIGN)
    assert "cable" in unknown.mistakes
    assert unknown.by_field["resistance"].words == "Not judged: 'cable length' cannot be read."


@pytest.mark.parametrize("calculation", CALCULATIONS, ids=[each.name for each in CALCULATIONS])
def test_every_calculation_has_a_result_to_begin_with(calculation: Calculation) -> None:
    """Nobody has to fill a form before seeing what it gives."""
    result = calculation.result({each.name: each.first(KNOWN) for each in calculation.fields})
    assert result.lines
    assert result.formula
    assert result.source


@settings(max_examples=80)
@given(st.sampled_from(CALCULATIONS), st.data())
def test_whatever_is_typed_gives_a_result_or_a_clear_error(
    calculation: Calculation, data: st.DataObject
) -> None:
    typed = {
        each.name: data.draw(st.one_of(st.just(each.first(KNOWN)), st.text(max_size=6)))
        for each in calculation.fields
    }
    try:
        assert calculation.result(typed).lines
    except UsageError as error:
        assert error.todo


def test_what_was_heard_names_who_answered_and_who_could_not_be_read() -> None:
    asked = (
        RecordedRequest(11, "", "", True, 11.3, 3.6, 0, None),
        RecordedRequest(12, "", "", False, None, 3.6, 0, None),
    )
    words = "Quiet for 5.0 s at 9600-8N1."
    heard = RecordedListening(AT_9600, 5.0, 0, 0, None, 0, False, 0, False, words, asked)
    assert (
        wiring_words.heard_words(heard)
        == "Quiet for 5.0 s at 9600-8N1. Answered: 11. Asked and not read: 12. No echo."
    )
    assert (
        wiring_words.turn_round_words(asked)
        == "Turn-round: 11 after 11.3 ms; 3.6 ms of silence are due first."
    )
    assert wiring_words.turn_round_words(asked[1:]) == ""


@pytest.mark.parametrize(
    ("levels", "failing", "listened", "state", "todo"),
    [
        ((Level.NOT_MEASURED,), False, False, StepState.TO_DO, "press l to listen"),
        ((Level.NOT_MEASURED,), False, True, StepState.DOING, "type what the meter shows"),
        ((Level.GOOD, Level.NOT_MEASURED), False, True, StepState.DOING, "Survey (3)"),
        ((Level.GOOD,), False, True, StepState.DONE, "Survey (3)"),
        ((Level.GOOD,), True, True, StepState.CHECK, "o: causes"),
        ((Level.ATTENTION,), False, False, StepState.CHECK, "Tab to a marked reading"),
    ],
)
def test_the_step_is_done_only_when_all_was_measured_and_heard(
    levels: tuple[Level, ...], failing: bool, listened: bool, state: StepState, todo: str
) -> None:
    """What to do next points to where it stands: at the reading, or among the causes of what was
    heard."""
    stands, words = wiring_words.standing(
        levels, acknowledged=True, mistakes=False, failing=failing, listened=listened
    )
    assert stands is state
    assert todo in words

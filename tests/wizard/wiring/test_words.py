"""What the wiring step says."""

from __future__ import annotations

import pytest

from busprobe.line.settings import LineSettings
from busprobe.wiring.listening import RecordedListening, RecordedRequest
from busprobe.wiring.meter import Level
from busprobe.wizard.common.step import StepState
from busprobe.wizard.wiring import words as wiring_words

AT_9600 = LineSettings.parse("9600-8N1")


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
        wiring_words.turnaround_words(asked)
        == "Turnaround: 11 after 11.3 ms; 3.6 ms of silence are due first."
    )
    assert wiring_words.turnaround_words(asked[1:]) == ""


@pytest.mark.parametrize(
    ("levels", "failing", "listened", "state", "todo"),
    [
        ((Level.NOT_MEASURED,), False, False, StepState.TO_DO, "listen to the bus"),
        ((Level.NOT_MEASURED,), False, True, StepState.DOING, "type what the meter shows"),
        ((Level.GOOD, Level.NOT_MEASURED), False, True, StepState.DOING, "Survey (3)"),
        ((Level.GOOD,), False, True, StepState.DONE, "Survey (3)"),
        ((Level.GOOD,), True, True, StepState.CHECK, "see causes"),
        ((Level.ATTENTION,), False, False, StepState.CHECK, "Tab to a marked reading"),
    ],
)
def test_the_step_is_done_only_when_all_was_measured_and_heard(
    levels: tuple[Level, ...], failing: bool, listened: bool, state: StepState, todo: str
) -> None:
    """What to do next points to where it stands: at the reading, or among the causes of what was
    heard."""
    stands, words, proposed = wiring_words.standing(
        levels, acknowledged=True, mistakes=False, failing=failing, listened=listened
    )
    assert stands is state
    assert todo in f"{proposed.label}. {words}"

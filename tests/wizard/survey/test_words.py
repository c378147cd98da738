"""What the step Survey says."""

from __future__ import annotations

import pytest

from busprobe.line.settings import LineSettings
from busprobe.survey.probes import LookingQuickly
from busprobe.wizard.survey.words import asking_words, course, time_words


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0:00"), (42.4, "0:42"), (61, "1:01"), (3800, "1:03:20")]
)
def test_times_are_written_as_people_say_them(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


def test_the_step_says_what_the_quick_look_does() -> None:
    said = asking_words(LookingQuickly(LineSettings.parse("9600-8N1"), 3), ())
    assert said.startswith("9600-8N1  Quick look: function 17 (a read) goes to every address")
    assert "proves no absence" in said


def test_the_step_says_that_what_comes_last_of_all_can_be_left_out() -> None:
    assert "k leaves them out" in course(only_further=True)
    assert "Stopping" in course(stopping=True, only_further=True)

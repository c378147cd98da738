"""What the step Survey says."""

from __future__ import annotations

import pytest

from busprobe.wizard.survey.words import time_words


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0:00"), (42.4, "0:42"), (61, "1:01"), (3800, "1:03:20")]
)
def test_times_are_written_as_people_say_them(seconds: float, words: str) -> None:
    assert time_words(seconds) == words

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.settings import LineSettings
from busprobe.survey.probes import LADDER
from busprobe.survey.waits import Pace, may_miss, rounds_needed
from tests.survey.scripted import SETTINGS


def test_a_pair_on_which_most_requests_are_lost_can_hide_a_unit_however_often_it_is_asked() -> None:
    """Computed: 0.55 to the fourteenth power is 2 in 10000, 0.36 to it is below 1 in a million."""
    assert may_miss(50, 115)
    assert not may_miss(18, 72)
    assert not may_miss(0, 10)


@given(st.integers(1, 500), st.data())
def test_the_rounds_needed_grow_with_the_losses_and_are_bounded(
    asked: int, data: st.DataObject
) -> None:
    lost = data.draw(st.integers(0, asked))
    fewer = data.draw(st.integers(0, lost))
    assert 1 <= rounds_needed(fewer, asked) <= rounds_needed(lost, asked) <= 14


def test_one_loss_in_four_needs_more_than_the_seven_kinds_of_probes() -> None:
    """Computed: the upper bound of 18 in 72 is 26 in 72, and 0.36 to the tenth power is below one
    in ten thousand."""
    assert rounds_needed(18, 72) == 10


def test_waits_follow_the_slowest_unit_within_bounds() -> None:
    pace = Pace()
    waits = [pace.wait(probe, SETTINGS) for probe in LADDER]
    assert waits[0] > waits[1] > waits[-1]
    assert pace.wait(LADDER[0], SETTINGS, again=True) == waits[1]
    assert pace.learnt(0.001) == pace
    assert pace.first < pace.learnt(0.05).first <= pace.learnt(5).first <= 0.1


@pytest.mark.parametrize("text", ["1200-8E1", "2400-8N1", "4800-8N1", "9600-8N1", "115200-8N1"])
def test_a_prompt_unit_is_heard_within_every_wait_at_any_baud_rate(text: str) -> None:
    """Computed: it notices the end of the request after 3.5 characters (MODBUS over Serial Line
    V1.02, section 2.5.1.1), takes 10 ms, and its first character passes."""
    settings = LineSettings.parse(text)
    heard = settings.t3_5 + 0.01 + settings.character_time
    assert all(Pace().wait(probe, settings) > heard for probe in LADDER)

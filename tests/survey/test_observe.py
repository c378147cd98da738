"""A live unit beside the notes of its data sheet, on the virtual segment."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.draft import draft
from busprobe.profiles.notes import notes
from busprobe.profiles.plan import Block
from busprobe.survey.observe import Observed, observe
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment

WIND = notes({"points": [{"name": "Wind", "register": 31}, {"name": "Direction", "register": 33}]})


def at(scenario: str, address: int) -> tuple[Observed, Segment]:
    segment = Segment(load_scenario(scenario), VirtualClock())
    return observe(Line(segment.port(), LineSettings.parse("9600-8N1")), address, WIND), segment


def test_a_unit_gives_what_a_profile_is_drafted_from() -> None:
    """The notes count from 1, the unit does not say so, and its float has the low register first."""
    observed, _ = at("generic", 5)
    assert observed.given == (Block(3, 30, 3),)
    assert observed.seen.objects[1] == "WT-5"
    made = draft(WIND, observed.seen)
    assert made.shift == -1
    best = made.choices[0].best
    assert best is not None
    assert (best.point.at.wire, str(best.point.type), str(best.point.order)) == (30, "float32", "CDAB")
    assert isinstance(best.reading.value, float)
    assert 5 < best.reading.value < 8


@pytest.mark.parametrize("scenario", ["clash", "generic"])
def test_where_not_just_one_unit_answers_nothing_is_drafted(scenario: str) -> None:
    with pytest.raises(RefusedError, match="Nothing can be drafted at address 1"):
        at(scenario, 1)

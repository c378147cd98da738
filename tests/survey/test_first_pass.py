"""After the first pass the technician may choose less than the whole search, and the document says
what was left out for that."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.survey.events import Event, FirstPassOver
from busprobe.survey.findings import About, FirstPass, Kind, Reason, SurveyResult
from busprobe.survey.probes import Asking
from busprobe.survey.survey import Survey
from tests.survey.test_survey import on, result
from tests.survey.test_ugly_buses import bus

FOUR = [LineSettings.parse(text) for text in ("9600-8N1", "19200-8E1", "9600-8E1", "19200-8N1")]
FIVE = [*FOUR, LineSettings.parse("38400-8N1")]


def surveyed(
    choice: Callable[[Survey], object] = lambda _: None,
    *,
    settings: Sequence[LineSettings] = FIVE,
    addresses: Sequence[int] = ALL,
    **options: object,
) -> tuple[SurveyResult, list[Event], float]:
    """Units 5 and 40 at the first settings, 7 at the second, 200, which is no likely address, at
    the last, without a quick look; what is chosen after the first pass, and when the choice was
    put."""
    units = (
        {"type": "at-10", "address": 5, "settings": "9600-8N1"},
        {"type": "dx-8", "address": 40, "settings": "9600-8N1"},
        {"type": "cd-2", "address": 7, "settings": "19200-8E1"},
        {"type": "at-10", "address": 200, "settings": "38400-8N1"},
    )
    line = Line(bus(*units).port("virtual:test"), settings[0])
    put = 0.0

    def steer(survey: Survey, event: Event) -> None:
        nonlocal put
        if isinstance(event, FirstPassOver):
            put = line.clock.now()
            choice(survey)

    events = on(line, settings, steer, addresses=addresses, **{"quick_look": False, **options})
    return result(events), events, put


def told(events: Sequence[Event]) -> FirstPassOver:
    [event] = [event for event in events if isinstance(event, FirstPassOver)]
    return event


def test_the_first_pass_finds_what_is_likely_and_tells_what_the_rest_costs() -> None:
    """Nobody answers the question: the search goes on to its end."""
    end, events, put = surveyed()
    event = told(events)
    assert event.first_pass == end.first_pass == FirstPass(3, round(put, 1))
    assert {f.address for f in end.findings} == {5, 7, 40, 200}
    assert (end.complete, end.ended) == (True, None)
    assert put < end.seconds / 4
    asked = [e for e in events if isinstance(e, Asking)]
    assert {e.settings for e in asked} >= set(FIVE)
    assert event.only_where_found is not None
    assert event.only_where_found.seconds < 0.75 * event.left.seconds


def test_a_quick_look_belongs_to_the_first_pass_which_then_finds_more() -> None:
    end, _, put = surveyed(Survey.stop_here, quick_look=True)
    assert {f.address for f in end.findings} == {5, 7, 40, 200}
    assert end.first_pass == FirstPass(4, round(put, 1))


def test_only_the_settings_found_are_searched_to_the_end_where_that_is_chosen() -> None:
    end, events, put = surveyed(Survey.only_where_found)
    less = told(events).only_where_found
    assert less is not None
    assert end.seconds - put == pytest.approx(less.seconds, rel=0.15)
    assert {f.address for f in end.findings} == {5, 7, 40}
    assert not end.complete
    assert {untested.settings for untested in end.untested} == set(FIVE[2:])
    assert {untested.why for untested in end.untested} == {
        "because no unit was found there in the first pass"
    }


def test_the_search_ends_after_the_first_pass_where_that_is_chosen() -> None:
    end, _, put = surveyed(Survey.stop_here)
    assert end.seconds == pytest.approx(put)
    assert {f.address for f in end.findings} == {5, 7, 40}
    assert (end.complete, end.ended) == (False, Reason.ENOUGH)
    assert {untested.settings for untested in end.untested} == set(FIVE)
    document = end.document("virtual:test")
    assert document["ended"] == "enough"
    assert document["first_pass"] == {"found": 3, "seconds": round(put, 1)}


def test_at_one_setting_there_is_nothing_less_than_all_of_it() -> None:
    end, events, put = surveyed(settings=FIVE[:1])
    assert told(events).only_where_found is None
    assert told(events).left.seconds == pytest.approx(end.seconds - put, rel=0.15)
    assert [f.kind for f in end.findings] == [Kind.UNIT] * 2


def test_nobody_is_asked_where_nothing_was_found() -> None:
    _, events, _ = surveyed(addresses=range(60, 70))
    assert not any(isinstance(event, FirstPassOver) for event in events)


def test_a_survey_that_goes_on_does_not_ask_again() -> None:
    first, _, _ = surveyed(Survey.stop_here)
    second, events, _ = surveyed(resume=first.progress())
    assert not any(isinstance(event, FirstPassOver) for event in events)
    assert second.first_pass == first.first_pass
    assert (second.complete, second.ended) == (True, None)
    assert {f.address for f in second.findings} == {5, 7, 40, 200}


def test_as_many_as_expected_is_no_proof_that_there_are_no_more() -> None:
    """There is a fourth one: the document says that it was not looked for."""
    end, _, _ = surveyed(expect=3)
    assert len(end.findings) == 3
    assert (end.complete, end.ended) == (False, Reason.ALL_FOUND)
    assert end.document("virtual:test")["ended"] == "as many as expected found"
    [note] = [note for note in end.line_notes if note.about is About.COUNT]
    assert "no other unit is connected was not checked" in note.words

"""A survey is held between two exchanges while somebody else has the line; each side knows when it
is its turn."""

from __future__ import annotations

import threading

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.events import Event, Finished
from busprobe.survey.pausing import PauseSwitch
from busprobe.survey.survey import Survey
from tests.survey.scripted import SETTINGS, ScriptedPort, registers


def test_who_waits_for_a_held_survey_has_the_line_and_the_survey_sets_it_as_it_was() -> None:
    port = ScriptedPort(registers(5, {0: 1}))
    line = Line(port, SETTINGS)
    survey = Survey(line, [SETTINGS], range(1, 8))
    survey.pause()
    events: list[Event] = []
    worker = threading.Thread(target=lambda: events.extend(survey))
    worker.start()
    survey.wait_until_held()
    assert port.sent == []
    line.apply(LineSettings.parse("19200-8E1"))
    survey.unpause()
    worker.join()
    assert {settings for settings, _ in port.sent} == {SETTINGS}
    assert isinstance(events[-1], Finished)
    assert [f.address for f in events[-1].result.findings] == [5]


def test_nobody_waits_for_work_that_is_over() -> None:
    hold = PauseSwitch()
    hold.hold()
    hold.end()
    hold.wait_until_held()
    assert hold.on


def test_work_held_again_before_it_has_gone_on_stays_held() -> None:
    hold = PauseSwitch()
    hold.hold()
    gone_on = threading.Event()

    def work() -> None:
        hold.pass_by()
        gone_on.set()

    worker = threading.Thread(target=work)
    worker.start()
    hold.wait_until_held()
    with hold._changed:  # as if the worker were slow to wake up
        hold._on = False
        hold._on = True
    hold.wait_until_held()
    assert not gone_on.is_set()
    hold.release()
    worker.join()
    assert gone_on.is_set()

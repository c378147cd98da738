from __future__ import annotations

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.findings import SurveyResult
from busprobe.survey.words import coverage
from tests.survey.scripted import SETTINGS, ScriptedPort, registers
from tests.survey.test_survey import AT_9600, on, result

FIVE = [LineSettings.parse(f"{baud}-8N1") for baud in (9600, 19200, 38400, 57600, 115200)]


def said(end: SurveyResult) -> list[str]:
    return list(coverage(end.asked, {finding.place for finding in end.findings}))


def test_complete_is_told_exactly_how_often_whom_with_which_wait() -> None:
    """Nine kinds of probes; the waits are those of the pace before and after the unit was
    found."""
    end = result(
        on(
            Line(ScriptedPort(registers(5, {0: 1, 1: 2})), SETTINGS),
            AT_9600,
            addresses=range(1, 12),
        )
    )
    assert said(end) == [
        "Asked at 9600-8N1: addresses 1-4,6-11, 9 times each, by function 1 (register 0), 2"
        " (register 0), 3 (registers 0, 1), 4 (registers 0, 1), 8, 17, 43, waiting 20 to 30 ms and"
        " listening on for later replies."
    ]


def test_settings_that_were_searched_alike_are_told_together() -> None:
    end = result(
        on(
            Line(ScriptedPort(lambda _request, _settings: []), SETTINGS),
            FIVE,
            addresses=range(30, 33),
        )
    )
    assert said(end) == [
        "Asked at 5 line settings: addresses 30-32, 2 times each, by function 3 (register 0), 4"
        " (register 0), waiting 25 to 30 ms and listening on for later replies."
    ]


def test_nothing_asked_is_nothing_said() -> None:
    assert list(coverage((), ())) == []

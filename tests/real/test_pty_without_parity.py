"""A real pseudo-terminal takes parity and drops it: the survey leaves such line settings out."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from busprobe.errors import UsageError
from busprobe.line.line import Line
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.survey.survey import Survey
from busprobe.virtual.loading import load_scenario
from tests.survey.test_survey import result
from tests.virtual.bench import AT_9600
from tests.virtual.test_serve import on_pty

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


def test_settings_with_parity_are_not_asked_on_a_pseudo_terminal(tmp_path: Path) -> None:
    even = LineSettings.parse("9600-8E1")
    with (
        on_pty(load_scenario("clean"), tmp_path / "bus") as (_, name),
        Line(SerialPort(name, AT_9600), AT_9600) as line,
    ):
        survey = Survey(line, [even, AT_9600], range(11, 13), listen_first=0.1)
        end = result(list(survey))
        with pytest.raises(UsageError, match="cannot carry 9600-8E1"):
            Survey(line, [even], range(11, 13))
    assert {finding.settings for finding in end.findings} == {AT_9600}
    assert {asked.settings for asked in end.asked} <= {AT_9600}
    assert [(left.settings, left.addresses) for left in end.untested] == [(even, (11, 12))]
    assert not end.complete

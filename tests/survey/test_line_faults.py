"""What is around the units: gateways that have waits of their own, and a pair that stops being
quiet."""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.events import Fault
from busprobe.survey.findings import Kind
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers, together
from tests.survey.test_survey import listed, on, result

UNITS = together(registers(7, {0: 1, 1: 2}), registers(15, {0: 1, 1: 2}, 0.05))


def behind_gateway(units: Answers, wait: float) -> ScriptedPort:
    """One that says exception 11 after `wait` seconds for who does not respond, and hears nothing
    meanwhile."""
    busy_until = 0.0

    def answers(request: bytes, settings: LineSettings) -> Iterable[tuple[float, bytes]]:
        nonlocal busy_until
        asked = port.clock.now() + settings.wire_time(len(request))
        if asked < busy_until:
            return []
        replies = list(units(request, settings))
        if not replies:
            busy_until = asked + wait
            replies = [(wait, frame(request[0], request[1] | 0x80, 11))]
        return replies

    port = ScriptedPort(answers)
    return port


@pytest.mark.parametrize("wait", [0.02, 0.3, 1.0])
def test_a_gateways_word_for_absent_units_is_no_unit_and_no_master_and_is_waited_for(
    wait: float,
) -> None:
    """Common practice: gateways wait about 1 s of their own; what they are asked meanwhile they do
    not hear."""
    end = result(on(Line(behind_gateway(UNITS, wait), SETTINGS), addresses=range(1, 20)))
    assert listed(end.findings) == {(7, "9600-8N1"): Kind.UNIT, (15, "9600-8N1"): Kind.UNIT}
    assert (end.other_master, end.complete) == (False, True)
    assert any("gateway" in note for note in end.notes)


@pytest.mark.parametrize("said", [b"\x00", b"\x55"])
def test_a_pair_that_is_never_quiet_any_more_ends_the_survey_and_what_was_found_stays(
    said: bytes,
) -> None:
    port = ScriptedPort(UNITS)
    line = Line(port, SETTINGS)
    for number in range(20_000):
        port.chatter(3 + number / 960, said)
    events = on(line, addresses=range(1, 100))
    end = result(events)
    assert listed(end.findings) == {(7, "9600-8N1"): Kind.UNIT}
    assert not end.complete
    assert any(isinstance(event, Fault) and "stuck" in event.words for event in events)
    assert "never quiet" in end.untested[0].words
    assert end.seconds < 10

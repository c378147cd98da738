"""How long a survey takes, and what it must not miss for that: exact, in virtual time."""

from __future__ import annotations

import pytest

from busprobe.line.line import Line
from busprobe.modbus.addresses import ALL
from busprobe.survey.events import Found
from busprobe.survey.findings import Kind
from busprobe.survey.survey import Survey
from tests.survey.scripted import SETTINGS
from tests.survey.test_survey import on, result
from tests.survey.test_ugly_buses import bus


def found_after(*addresses: int) -> float:
    """Seconds until the last of ordinary units at `addresses` is found."""
    units = ({"type": "dx-8", "address": address} for address in addresses)
    line = Line(bus(*units).port("virtual:test"), SETTINGS)
    last = 0.0
    found = set()
    for event in Survey(line, [SETTINGS], ALL):
        if isinstance(event, Found) and event.finding.place not in found:
            found.add(event.finding.place)
            last = line.clock.now()
    assert {place.address for place in found} == set(addresses)
    return last


def test_a_full_bus_is_found_unit_by_unit_without_standing_still() -> None:
    assert found_after(*range(1, 33)) < 15
    assert found_after(*ALL) < 92


@pytest.mark.parametrize("latency", [0.06, 0.1, 0.3, 0.6, 0.9])
@pytest.mark.parametrize("other", ["at-10", "dx-8"])
def test_a_second_unit_that_replies_long_after_the_first_is_a_clash(
    latency: float, other: str
) -> None:
    """Its reply comes when others are asked already: a whole reply that no request waits for."""
    segment = bus(
        {"type": "dx-8", "address": 20, "latency": 0.006},
        {"type": other, "address": 20, "latency": latency, "jitter": 0.01},
    )
    end = result(on(Line(segment.port("virtual:test"), SETTINGS), addresses=range(17, 24)))
    assert [finding.kind for finding in end.findings] == [Kind.CLASH]

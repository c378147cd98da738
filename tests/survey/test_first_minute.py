"""How long a survey takes, and what it must not miss for that: exact, in virtual time."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from busprobe.line.line import Line
from busprobe.modbus.addresses import ALL
from busprobe.survey.events import Event, Found, Progress
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Asking
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


SIX = (3, 17, 42, 101, 150, 222)


def surveyed(*units: Mapping[str, float]) -> tuple[float, float]:
    """Seconds until all addresses were asked by the seven usual kinds of probes, and until the end
    after coils and inputs, of a survey that finds just `units`."""
    segment = bus(*({"type": "dx-8", **unit} for unit in units))
    line = Line(segment.port("virtual:test"), SETTINGS)
    usual: list[float] = []

    def watch(_survey: Survey, event: Event) -> None:
        if isinstance(event, Asking) and event.request.function.reads_bits:
            usual.append(line.clock.now())

    end = result(on(line, steer=watch, addresses=ALL))
    assert end.complete
    assert {f.address: f.kind for f in end.findings} == {u["address"]: Kind.UNIT for u in units}
    return usual[0], end.seconds


@pytest.mark.parametrize("count", [0, 6])
def test_the_usual_probes_to_every_address_take_less_than_a_minute(count: int) -> None:
    usual, whole = surveyed(*({"address": address} for address in SIX[:count]))
    assert usual < 60
    assert whole < 75


@pytest.mark.parametrize("latency", [0.012, 0.06])
@pytest.mark.parametrize("where", [3, 222])
def test_a_unit_some_of_whose_replies_are_late_does_not_slow_the_others(
    where: int, latency: float
) -> None:
    moody = {"late": 0.2, "late_by": 0.19, "latency": latency}
    _, whole = surveyed(*({"address": a, **(moody if a == where else {})} for a in SIX))
    assert whole < 125


@pytest.mark.parametrize(
    "last",
    [
        {},
        {"latency": 0.8},
        {"late": 0.2, "late_by": 0.19, "latency": 0.07},
    ],
)
@pytest.mark.parametrize("where", [3, 222])
def test_what_is_left_is_told_within_15_percent_after_a_tenth_when_all_units_are_known(
    where: int, last: Mapping[str, float]
) -> None:
    """Said at a moment, with the seconds gone by; before, a slow unit not found yet cannot be
    told."""
    units = ({"type": "dx-8", "address": a, **(last if a == where else {})} for a in SIX)
    line = Line(bus(*units).port("virtual:test"), SETTINGS)
    told: list[tuple[float, float]] = []
    found: dict[int, float] = {}
    for event in Survey(line, [SETTINGS], ALL):
        now = line.clock.now()
        if isinstance(event, Found):
            found.setdefault(event.finding.address, now)
        elif isinstance(event, Progress):
            told.append((now, now + event.left.seconds))
    ended = line.clock.now()
    known_from = max(ended / 10, *found.values())
    said = [end for at, end in told if at >= known_from]
    assert len(said) > 50
    assert said == pytest.approx([ended] * len(said), rel=0.15)


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

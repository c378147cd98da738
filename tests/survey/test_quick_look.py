"""The quick look at many line settings: where to search first, and nothing more."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.modbus.requests import Function
from busprobe.survey.events import Event, Found, Progress, Started
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Asking, LookingQuickly
from busprobe.survey.quick_look import in_turn, seconds_at
from busprobe.survey.schedule import common_settings
from busprobe.survey.survey import Survey
from tests.benchmarks.random_buses import ADDRESSES, SETTINGS, random_bus
from tests.survey.scripted import ScriptedPort, registers
from tests.survey.test_survey import line_of, listed, on, result, segment
from tests.virtual.bench import scenario

BOTH = (LineSettings.parse("19200-8E1"), LineSettings.parse("9600-8N1"))


def unit(address: int, **rest: Any) -> dict[str, Any]:
    return {"name": f"unit-{address}", "type": "dx-8", "address": address, **rest}


def quick(events: list[Event]) -> list[LookingQuickly]:
    return [event for event in events if isinstance(event, LookingQuickly)]


def line_on(*units: dict[str, Any], **rest: Any) -> Line:
    return line_of(segment(scenario(*units, **rest)))


FOUR = (
    unit(57, settings="9600-8E1", latency=0.03),
    unit(44, settings="38400-8N1"),
    unit(203, settings="38400-8N1", type="ef-5"),
    unit(91, settings="115200-8O1", latency=0.06),
    unit(236, settings="4800-8N2", type="at-10"),
    unit(118, settings="4800-8N2"),
)
PLAIN_LOOP = 1701.0
"""Seconds of a plain loop with a wait of 0.2 s over 32 settings (`tests.benchmarks.survey`)."""


def test_units_at_four_unknown_settings_are_all_found_in_the_first_minute() -> None:
    line = line_on(*FOUR)
    wanted = {entry["address"] for entry in FOUR}
    found: dict[int, float] = {}
    for event in Survey(line, common_settings(), ALL):
        if isinstance(event, Found):
            found.setdefault(event.finding.address, line.clock.now())
        if wanted <= found.keys():
            break
        assert line.clock.now() < 0.04 * PLAIN_LOOP, f"not found: {wanted - found.keys()}"
    assert max(found.values()) < 60


@pytest.mark.parametrize("latency", [0.003, 0.012, 0.025, 0.05, 0.09, 0.2, 0.5, 1.0])
@pytest.mark.parametrize("address", [3, 120, 240])
def test_a_unit_is_noticed_however_long_it_takes(address: int, latency: float) -> None:
    """Its settings are searched first, or it is found already."""
    line = line_on(unit(address, latency=latency), unit(9, type="bm-330"))
    survey = Survey(line, BOTH, ALL)
    for event in survey:
        if isinstance(event, Progress) and not survey._search.schedule.quick:
            break
    head = survey._search.schedule.head
    assert head is not None
    assert head.settings == BOTH[1]


@pytest.mark.parametrize("burst", [0.0, 0.016, 0.05])
def test_our_own_bytes_are_not_heard(burst: float) -> None:
    line = line_on(adapter={"echo": True, "lump": burst})
    events = on(line, BOTH)
    last = max(number for number, event in enumerate(events) if isinstance(event, LookingQuickly))
    asked = [event for event in events[:last] if isinstance(event, Asking)]
    assert len(asked) == 1, "the one that shows whether the port echoes"
    assert len(quick(events)) == 2 * len(ALL)


@pytest.mark.parametrize("quick_look", [True, False])
def test_it_takes_nothing_off_the_promise_and_can_be_left_out(quick_look: bool) -> None:
    """Unit 40 is silent on function 17, so that a quick look does not hear it."""
    mute = {"server_id": None, "functions": [3], "errors": "silence"}
    clash = [unit(20, name="a"), unit(20, name="b", type="at-10")]
    line = line_on(
        unit(40, type="mute"),
        *clash,
        types={"mute": segment("full").scenario.types["ef-5"].model_copy(update=mute)},
    )
    events = on(line, BOTH, addresses=range(18, 44), quick_look=quick_look)
    end = result(events)
    assert listed(end.findings) == {(40, "9600-8N1"): Kind.UNIT, (20, "9600-8N1"): Kind.CLASH}
    assert bool(quick(events)) is quick_look
    assert end.complete
    plain = result(on(line_on(), BOTH, addresses=range(18, 44), quick_look=False))
    everywhere = {(a.settings, a.probe, a.round): set(a.addresses) for a in plain.asked if a.round}
    for asked in end.asked:
        if asked.round == 1:
            assert everywhere[asked.settings, asked.probe, 1] - set(asked.addresses) <= {20, 40}


@pytest.mark.parametrize("number", [56, 102])
def test_units_whose_replies_are_late_now_and_then_are_no_clash(number: int) -> None:
    bus = segment(random_bus(number))
    end = result(on(line_of(bus), (BOTH[0], SETTINGS), addresses=ADDRESSES))
    there = {(unit.address, str(SETTINGS)) for unit in bus.units}
    assert listed(end.findings) == dict.fromkeys(there, Kind.UNIT)


def test_it_is_left_out_where_bytes_were_heard_before() -> None:
    other = {"settings": "9600-8N1", "period": 0.5, "polls": [{"address": 3}]}
    events = on(line_on(other_master=other), BOTH)
    assert not quick(events)
    port = ScriptedPort(registers(7, {0: 1, 1: 2}))
    line = Line(port, BOTH[0])
    for number in range(100):
        port.chatter(0.15 + 0.3 * number, b"\x55\x13")
    assert not quick(on(line, BOTH, addresses=range(1, 12)))


def test_it_ends_where_another_master_is_heard_meanwhile() -> None:
    other = {"settings": "19200-8E1", "period": 0.5, "start": 3.0, "polls": [{"address": 3}]}
    events = on(line_on(unit(3, settings="19200-8E1"), other_master=other), BOTH)
    assert result(events).other_master
    assert len(quick(events)) < len(ALL)


def test_to_skip_leaves_out_what_is_left_of_it() -> None:
    def skip(survey: Survey, event: Event) -> None:
        if isinstance(event, LookingQuickly) and event.address == 5:
            survey.skip_setting()

    events = on(line_on(unit(9)), BOTH, steer=skip, addresses=range(1, 12))
    assert {event.settings for event in quick(events)} == {BOTH[0]}
    assert result(events).complete
    assert listed(result(events).findings) == {(9, "9600-8N1"): Kind.UNIT}


def test_it_is_in_the_time_told_before() -> None:
    started, *events = on(line_on(), BOTH)
    assert isinstance(started, Started)
    assert result(events).seconds == pytest.approx(started.estimate.seconds, rel=0.02)


def test_likely_settings_come_first_slow_ones_last_and_stop_bits_make_no_difference() -> None:
    looked_at = in_turn(common_settings(), len(ALL))
    assert len(looked_at) == 24
    assert looked_at[0] == common_settings()[0]
    assert [each.baud for each in looked_at[-6:]] == [2400] * 3 + [1200] * 3
    assert sum(seconds_at(each, len(ALL)) for each in looked_at[:-3]) < 60


def test_the_likely_addresses_are_asked_before_the_quick_looks_at_1200_baud() -> None:
    slow = LineSettings.parse("1200-8N1")
    line = line_on(unit(150, settings="1200-8N1"), unit(9))
    asked: set[LineSettings] = set()
    for event in Survey(line, (slow, *BOTH), ALL):
        if isinstance(event, Asking) and event.request.function is Function(3):
            asked.add(event.settings)
        elif isinstance(event, LookingQuickly) and event.settings == slow:
            assert asked == {slow, *BOTH}
        elif isinstance(event, Found) and event.finding.address == 150:
            break
    assert line.clock.now() < 45


def test_the_end_of_a_reply_that_looks_like_a_pulse_is_followed_up() -> None:
    """The reply of unit 90 comes while others are asked; what is left of it is FE F0."""
    line = line_on(unit(90, settings="4800-8N1", type="fq-3", latency=0.058))
    for event in Survey(line, (LineSettings.parse("4800-8N1"), SETTINGS), ALL):
        if isinstance(event, Found) and event.finding.address == 90:
            break
    assert line.clock.now() < 9


def test_an_adapter_that_sees_a_pulse_after_each_request_costs_one_try() -> None:
    events = on(line_on(unit(90), adapter={"glitch": True}), BOTH, addresses=range(80, 100))
    assert listed(result(events).findings) == {(90, "9600-8N1"): Kind.UNIT}
    assert len(quick(events)) == 2 * 20

"""Buses that fool a survey, with the truth known: it finds those units, and no others."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.errors import UsageError
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings, Parity
from busprobe.survey.events import Event, OtherMasterHeard, Progress
from busprobe.survey.findings import Bound, Kind, SurveyResult
from busprobe.survey.probes import Asking
from busprobe.survey.survey import Survey
from tests.benchmarks.random_masters import mistakes, random_master
from tests.benchmarks.random_masters import surveyed as surveyed_beside
from tests.survey.scripted import SETTINGS, ScriptedPort, registers
from tests.survey.test_survey import line_of, listed, on, result, segment
from tests.virtual.bench import scenario


def unit(address: int, **rest: Any) -> dict[str, Any]:
    return {"name": f"unit-{address}", "type": "at-10", "address": address, **rest}


def units(*addresses: int) -> dict[tuple[int, str], Kind]:
    return {(address, "9600-8N1"): Kind.UNIT for address in addresses}


def despite_master(survey: Survey, event: Event) -> None:
    if isinstance(event, OtherMasterHeard):
        survey.go_on()


def surveyed(*entries: dict[str, Any], addresses: range, **rest: Any) -> SurveyResult:
    """What a survey of `addresses` at 9600-8N1 shows, gone on with despite another master."""
    bus = segment(scenario(*entries, **rest))
    return result(on(line_of(bus), addresses=addresses, steer=despite_master))


@pytest.mark.parametrize("burst", [0.016, 0.03, 0.05])
@pytest.mark.parametrize("latency", [0.01, 0.025, 0.055, 0.07, 0.09, 0.1, 0.125])
def test_an_echo_that_comes_in_bursts_is_no_other_master_and_no_unit(
    burst: float, latency: float
) -> None:
    """A late reply and our own next request arrive in one piece, or the end of an echo with the
    next."""
    end = surveyed(
        unit(7, latency=latency),
        unit(9, latency=latency, jitter=0.003),
        unit(20),
        adapter={"echo": True, "lump": burst},
        addresses=range(1, 31),
    )
    assert listed(end.findings) == units(7, 9, 20)
    assert (end.complete, end.echo, end.other_master) == (True, True, False)
    assert not any("part of its own" in note for note in end.notes)
    assert end.seconds < 60


def gateway(code: int, **rest: Any) -> dict[str, Any]:
    return unit(200, refuses_others=code, latency=0.03, jitter=0.03, **rest)


@pytest.mark.parametrize("code", [1, 2, 4, 10, 11])
def test_a_gateway_that_refuses_every_address_after_a_while_is_judged_once(code: int) -> None:
    """Its refusals come when the next address has been asked already."""
    end = surveyed(gateway(code), addresses=range(1, 21))
    assert set(listed(end.findings).values()) <= {Kind.UNSURE}
    assert len(end.findings) == (code < 10), "a gateway that says that it is one is no finding"
    assert end.complete
    assert end.seconds < 22


@pytest.mark.parametrize("jitter", [0.03, 0.1])
def test_units_behind_a_gateway_that_refuses_all_other_addresses_are_all_found(
    jitter: float,
) -> None:
    end = surveyed(
        {**gateway(4), "jitter": jitter}, unit(5), unit(9, latency=0.2), addresses=range(1, 21)
    )
    assert listed(end.findings) == units(5, 9)
    assert end.complete


FIVE = (unit(7), unit(11), unit(20), unit(21, type="bm-330"), unit(33))


def master(**rest: Any) -> dict[str, Any]:
    """Polls units 11 and 21, and 40, where there is none."""
    polls = [
        {"address": 11, "function": 4, "at": 1, "count": 2},
        {"address": 21, "function": 4, "count": 6},
        {"address": 40},
    ]
    return {"settings": "9600-8N1", "period": 0.25, "polls": polls, **rest}


@pytest.mark.parametrize("burst", [0.0, 0.016])
@pytest.mark.parametrize(
    "how",
    [
        {"jitter": 0.02},
        {"period": 1.0, "jitter": 0.05},
        {"period": 0.1, "pause": 0.8},
        {"waits_for_silence": 0.02},
        {"waits_for_silence": 0.004},
        {"settings": "19200-8E1"},
        {"settings": "2400-8E1", "period": 0.4},
    ],
    ids=["rude", "seldom", "in-rounds", "polite", "hardly-polite", "faster", "slower"],
)
def test_another_master_costs_its_time_and_no_finding(how: dict[str, Any], burst: float) -> None:
    """Requests are sent in its pauses, and what it corrupts or says proves no unit and no
    clash."""
    end = surveyed(
        *FIVE, other_master=master(**how), adapter={"lump": burst}, addresses=range(1, 51)
    )
    assert listed(end.findings) == units(7, 11, 20, 21, 33)
    assert end.other_master
    assert end.complete
    assert [note for note in end.notes if "% of the time" in note]
    assert end.seconds < 160


@pytest.mark.parametrize("settings", ["9600-8N1", "4800-8N1"])
def test_a_master_that_leaves_no_pause_ends_the_survey_with_a_sentence(settings: str) -> None:
    end = surveyed(
        *FIVE, other_master=master(settings=settings, period=0.06), addresses=range(1, 51)
    )
    assert end.findings == ()
    assert not end.complete
    assert "cannot be surveyed like this" in end.notes[-1]
    assert "no pause" in end.untested[0].words
    assert end.seconds < 100


def test_a_master_at_other_line_settings_is_told_before_anything_is_asked() -> None:
    bus = segment(scenario(*FIVE, other_master=master(settings="19200-8E1")))
    events = on(line_of(bus), addresses=range(1, 51))
    assert not any(isinstance(event, Asking) for event in events)
    assert "at 19200-8E1" in result(events).notes[0]


def test_the_estimate_counts_with_the_pauses_of_another_master() -> None:
    bus = segment(scenario(*FIVE, other_master=master()))
    events = on(line_of(bus), addresses=range(1, 51), steer=despite_master)
    told = next(event for event in events if isinstance(event, Progress))
    assert told.left.seconds == pytest.approx(result(events).seconds, rel=0.6)


@pytest.mark.parametrize("number", [11, 63, 77, 115, 282])
def test_what_a_random_master_says_is_no_clash_and_no_unit(number: int) -> None:
    """63, 77 and 115 send seldom and at other line settings, so that nothing is heard of them
    before the first request; 11 and 282 ask the same units for the same as we do."""
    bus = random_master(number)
    end = surveyed_beside(bus)
    assert not list(mistakes(bus, end))
    assert end.seconds < 150


def test_another_master_makes_the_adapter_no_slower_and_its_echo_no_worse() -> None:
    end = surveyed_beside(random_master(324))
    assert not any("in lumps" in note or "own transmission" in note for note in end.notes)


def test_two_units_at_an_address_are_no_plain_unit_beside_another_master() -> None:
    twins = [unit(9, name="a", type="at-10"), unit(9, name="b", type="bm-330")]
    end = surveyed(*twins, unit(20), other_master=master(), addresses=range(1, 31))
    assert listed(end.findings)[(9, "9600-8N1")] in (Kind.CLASH, Kind.UNSURE)


class WithoutParity(ScriptedPort):
    """A pseudo-terminal."""

    def carries(self, settings: LineSettings) -> bool:
        return settings.parity is Parity.NONE


def test_a_line_format_that_the_port_cannot_carry_is_not_asked_and_not_listed_as_asked() -> None:
    port = WithoutParity(registers(7, {0: 1, 1: 2}))
    both = (LineSettings.parse("9600-8E1"), LineSettings.parse("9600-8N1"))
    survey = Survey(Line(port, both[1]), both, range(1, 12))
    end = result(list(survey))
    assert all(settings.parity is Parity.NONE for settings, _ in port.sent)
    assert {asked.settings for asked in end.asked} == {both[1]}
    assert not end.complete
    assert [(left.settings, len(left.addresses)) for left in end.untested] == [(both[0], 11)]
    with pytest.raises(UsageError, match="cannot carry 9600-8E1"):
        Survey(Line(port, both[1]), both[:1], range(1, 12))


def test_what_a_survey_can_have_missed_is_in_its_document() -> None:
    """0.85 to the power of 14 is 0.103 (calculated)."""
    assert Bound.of(SETTINGS, 14).missed_share == pytest.approx(0.85, abs=0.005)
    end = surveyed(unit(7), addresses=range(1, 12))
    (bound,) = end.document("test")["bounds"]
    assert (bound["asked_times"], bound["found_with"]) == (7, 0.9)
    assert bound["missed_share"] ** 7 == pytest.approx(0.1, abs=0.005)
    assert not end.may_miss


def test_a_survey_that_lost_most_requests_says_that_a_unit_may_be_missing() -> None:
    end = surveyed(unit(7), unit(9), wires={"bit_errors": 0.015}, addresses=range(1, 21))
    assert end.complete
    assert end.may_miss
    assert end.bounds[0].asked_times == 14


def test_a_unit_that_sends_without_pause_is_told_and_nothing_is_asked() -> None:
    bus = segment(scenario(unit(7, babbles=True), unit(9)))
    events = on(line_of(bus), addresses=range(1, 21))
    assert not any(isinstance(event, Asking) for event in events)
    assert "sends without pause" in result(events).notes[0]

"""Buses that fool a survey, with the truth known: it finds those units, and no others."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.survey.events import Event, OtherMasterHeard
from busprobe.survey.findings import Kind, SurveyResult
from busprobe.survey.survey import Survey
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
    assert end.seconds < 20


@pytest.mark.parametrize("jitter", [0.03, 0.1])
def test_units_behind_a_gateway_that_refuses_all_other_addresses_are_all_found(
    jitter: float,
) -> None:
    end = surveyed(
        {**gateway(4), "jitter": jitter}, unit(5), unit(9, latency=0.2), addresses=range(1, 21)
    )
    assert listed(end.findings) == units(5, 9)
    assert end.complete

"""Units that answer next to nothing, or not the first time, on the virtual segment: the survey
finds them all the same."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.errors import UsageError
from busprobe.modbus.requests import Function
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.events import Event, Progress, Started
from busprobe.survey.probes import BITS, LADDER, MOST_FURTHER, FurtherProbes, Probe
from busprobe.survey.survey import Survey
from tests.profiles.making import profile
from tests.survey.test_never_fooled import unit, units
from tests.survey.test_survey import line_of, listed, on, result, segment
from tests.virtual.bench import scenario

SHIPPED = load_all([shipped_folder()]).profiles


def mute(**knows: Any) -> dict[str, Any]:
    """A unit type that keeps silent about all that it does not know."""
    return {
        "maker": "Nobody",
        "model": "M-1",
        "settings": "9600-8N1",
        "errors": "silence",
        **knows,
    }


def holding(*registers: int) -> list[dict[str, Any]]:
    return [{"name": f"h{at}", "at": at, "type": "uint16", "value": 7} for at in registers]


COILS = mute(functions=[1], coils=[True, False])
INPUTS = mute(functions=[2], discrete_inputs=[True, False, True])
FAR = mute(functions=[3], holding=holding(0x2100))


@pytest.mark.parametrize("latency", [0.012, 0.3])
@pytest.mark.parametrize("kind", [COILS, INPUTS, FAR], ids=["coils", "inputs", "one register"])
def test_a_unit_that_answers_one_kind_of_request_only_is_found(
    kind: dict[str, Any], latency: float
) -> None:
    bus = segment(scenario(unit(5), unit(9, type="mute", latency=latency), types={"mute": kind}))
    profiles = [SHIPPED["corran-cd-2"]]
    end = result(on(line_of(bus), addresses=range(1, 31), profiles=profiles))
    assert listed(end.findings) == units(5, 9)
    assert end.complete
    assert not end.notes


@pytest.mark.parametrize("addresses", [range(1, 31), range(1, 248)])
@pytest.mark.parametrize("wakes_by", [1, 2, 3])
def test_a_unit_that_dozes_after_half_a_second_and_misses_the_first_requests_is_found(
    addresses: range, wakes_by: int
) -> None:
    bus = segment(scenario(unit(5), unit(9, sleeps_after=0.5, wakes_by=wakes_by)))
    end = result(on(line_of(bus), addresses=addresses))
    assert listed(end.findings) == units(5, 9)
    assert end.complete


def test_a_register_that_a_person_names_is_tried_too() -> None:
    far = mute(functions=[4], input=holding(0x5000))
    bus = scenario(unit(5), unit(9, type="mute"), types={"mute": far})
    named = Probe.read_as("4:0x5000")
    assert listed(result(on(line_of(segment(bus)), addresses=range(1, 21))).findings) == units(5)
    end = result(on(line_of(segment(bus)), addresses=range(1, 21), also=[named]))
    assert listed(end.findings) == units(5, 9)
    assert named in {asked.probe for asked in end.asked}


@pytest.mark.parametrize(
    ("text", "probe"),
    [
        ("3:40001", Probe(Function(3), 40001)),
        ("4:0x1F40", Probe(Function(4), 8000)),
        ("1:010", Probe(Function(1), 10)),
        (" 2:0X10:16 ", Probe(Function(2), 16, 16)),
    ],
)
def test_a_probe_is_named_by_function_and_register(text: str, probe: Probe) -> None:
    assert Probe.read_as(text) == probe


@pytest.mark.parametrize(
    "text",
    ["", "3", "6:1", "16:1", "5:0", "3:65535", "3:0xFFFFF", "3:1:0", "3:1:17", "3:-1", "３:1"],
)
def test_what_writes_or_does_not_exist_is_no_probe(text: str) -> None:
    with pytest.raises(UsageError, match="no read that a survey can try"):
        Probe.read_as(text)


def test_silent_addresses_are_asked_for_few_registers_and_it_is_told_whose_are_left_out() -> None:
    many = [
        profile(points=[{"name": "P", "function": 3, "register": at, "type": "uint16"}])
        for at in range(100, 100 + MOST_FURTHER + 3)
    ]
    also = Probe(Function(4), 500)
    further = FurtherProbes.of(many, [also])
    assert further.probes[:3] == (also, *BITS)
    assert [probe.register for probe in further.probes[3:]] == [*range(100, 100 + MOST_FURTHER)]
    assert further.profiles_left_out == 3
    bus = segment(scenario(unit(5)))
    end = result(on(line_of(bus), addresses=range(1, 11), profiles=many))
    assert any("3 profiles" in note for note in end.notes)
    assert end.complete


def test_the_estimate_counts_the_further_probes() -> None:
    bus = segment(scenario(unit(5)))
    events = on(line_of(bus), profiles=SHIPPED.values())
    told = next(event for event in events if isinstance(event, Started))
    assert told.estimate.seconds + told.estimate.each == pytest.approx(
        result(events).seconds, rel=0.25
    )


def test_what_comes_last_of_all_is_told_before_with_its_time() -> None:
    """Computed: 2 requests of 8 characters to 247 addresses, with 20 ms each, at 9600 baud."""
    events = on(line_of(segment(scenario(unit(5)))))
    told = next(event for event in events if isinstance(event, Started))
    assert told.estimate.further == pytest.approx(2 * 247 * (80 / 9600 + 0.02))
    assert "the last 14 s are for coils, inputs and registers of profiles" in told.estimate.basis


@pytest.mark.parametrize("profiles", [(), tuple(SHIPPED.values())])
def test_what_comes_last_of_all_can_be_left_out(profiles: tuple[Profile, ...]) -> None:
    named = Probe(Function(4), 0x5000)
    bus = scenario(unit(5), unit(9, type="mute"), types={"mute": COILS})
    events = on(
        line_of(segment(bus)),
        addresses=range(1, 21),
        profiles=profiles,
        also=[named],
        further=False,
    )
    end = result(events)
    assert listed(end.findings) == units(5)
    assert end.complete
    everywhere = {asked.probe for asked in end.asked if len(asked.addresses) > 10}
    assert everywhere == {*LADDER, named}
    assert not end.notes


def test_what_comes_last_of_all_can_be_skipped_and_all_that_is_known_is_kept() -> None:
    told: list[Progress] = []

    def skip(survey: Survey, event: Event) -> None:
        if isinstance(event, Progress) and event.only_further and not told:
            told.append(event)
            survey.skip_setting()

    bus = scenario(unit(5), unit(9, type="mute"), types={"mute": COILS})
    end = result(on(line_of(segment(bus)), steer=skip, addresses=range(1, 41)))
    assert told[0].left.further > 0
    assert listed(end.findings) == units(5)
    assert {asked.probe for asked in end.asked} >= set(LADDER)
    assert not end.complete
    assert all("skipped" in left.words for left in end.untested)

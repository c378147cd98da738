"""What is said of the time left, against the time it takes on the virtual segment."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.survey.estimate import LISTEN_FIRST, Estimate, close_look, estimate
from busprobe.survey.events import Event, Finished, Progress, Started
from busprobe.survey.schedule import Schedule, common_settings
from busprobe.survey.survey import Survey
from busprobe.survey.waits import Pace
from tests.survey.scripted import SETTINGS, ScriptedPort, registers
from tests.survey.test_ugly_buses import bus

WITHIN = 0.1


def evenly(count: int) -> list[int]:
    return [round((i + 1) * 248 / (count + 1)) for i in range(count)]


def surveyed(addresses: list[int], expect: int | None) -> list[tuple[float, Event]]:
    """The events of a survey of units at `addresses`, each with its time."""
    line = Line(
        bus(*({"type": "dx-8", "address": a} for a in addresses)).port("virtual:test"), SETTINGS
    )
    return [(line.clock.now(), event) for event in Survey(line, [SETTINGS], ALL, expect=expect)]


def started(events: list[tuple[float, Event]]) -> Estimate:
    return next(event.estimate for _, event in events if isinstance(event, Started))


@pytest.mark.parametrize("count", [6, 32])
def test_with_an_expected_number_it_says_when_that_is_found_if_the_units_lie_evenly(
    count: int,
) -> None:
    events = surveyed(evenly(count), count)
    assert started(events).sooner == pytest.approx(events[-1][0], rel=WITHIN)


@pytest.mark.parametrize(("addresses", "expect"), [(list(range(1, 33)), 33), (list(ALL), 247)])
def test_it_says_how_long_it_takes_at_most_and_while_it_runs_what_is_left(
    addresses: list[int], expect: int
) -> None:
    """One unit more is expected than is there, so that everything is asked; at 247 there is no
    more.

    What is left is said for the units known and expected, and what each further one adds; that all
    are asked once more at the end is counted, and left out where all expected were found.
    """
    events = surveyed(addresses, expect)
    ended, finished = events[-1]
    assert isinstance(finished, Finished)
    assert len(finished.result.findings) == len(addresses)
    assert started(events).seconds == pytest.approx(ended, rel=WITHIN)
    for at, event in events:
        if isinstance(event, Progress) and event.left.seconds:
            missing = len(addresses) - event.left.units
            assert at + event.left.seconds + missing * event.left.each == pytest.approx(
                ended, rel=0.13
            )


@pytest.mark.parametrize("count", [0, 6, 32])
def test_without_a_number_it_says_the_time_for_nobody_and_what_each_unit_adds(count: int) -> None:
    events = surveyed(evenly(count), None)
    said = started(events)
    assert said.units == 0
    assert said.seconds + count * said.each == pytest.approx(events[-1][0], rel=WITHIN)


@pytest.mark.parametrize("text", ["1200-8E1", "9600-8N1", "115200-8N1"])
@pytest.mark.parametrize("type_", ["at-10", "cd-2", "dx-8", "fq-3"])
def test_the_close_look_is_known_beforehand_within_a_factor_of_two(text: str, type_: str) -> None:
    """Units say more or less of themselves and sooner or later; what it took is learnt from the
    first one on."""
    wanted = LineSettings.parse(text)
    segment = bus({"type": type_, "address": 1, "settings": text})
    line = Line(segment.port("virtual:test"), wanted)
    survey = Survey(line, [wanted], [1])
    before = line.clock.now()
    list(survey)
    looked = survey._search.learned.mean_look
    assert looked is not None
    assert 0 < looked < line.clock.now() - before
    assert looked / 2 < close_look(wanted) < 2 * looked


@settings(max_examples=30)
@given(
    st.lists(st.sampled_from(common_settings()), min_size=1, max_size=6, unique=True),
    st.sets(st.integers(1, 247), min_size=1, max_size=60),
    st.integers(1, 60),
)
def test_an_estimate_is_a_pure_value_that_changes_by_each_unit_expected(
    searched: list[LineSettings], addresses: set[int], expect: int
) -> None:
    schedule = Schedule.plan(searched, addresses)
    said = [estimate(schedule, Pace(), expect=number) for number in (expect, expect + 1)]
    assert said == [estimate(schedule, Pace(), expect=number) for number in (expect, expect + 1)]
    assert all(each.seconds > 0 for each in said)
    more = min(expect + 1, len(searched) * len(addresses)) - said[0].units
    assert said[1].seconds - said[0].seconds == pytest.approx(more * said[0].each)
    if said[0].sooner is not None:
        assert said[0].sooner > 0


def test_what_it_rests_on_is_said_with_it() -> None:
    def say(seconds: float) -> str:
        return f"{seconds:.0f} s"

    nobody, six = Estimate(75.6, 0, 0.57), Estimate(75.6, 6, 0.57)
    soon = replace(six, sooner=24.2)
    assert [e.figure(say) for e in (nobody, six)] == ["about 76 s", "about 76 s"]
    assert soon.figure(say) == "about 24 s, at most 76 s"
    assert nobody.basis.startswith("if no unit answers; each unit adds 0.6 s")
    assert six.basis.startswith("if there are 6 units; each further unit adds 0.6 s")
    assert replace(six, thorough=35.0).basis.endswith(
        "and each further line setting with units 35 s"
    )
    assert soon.basis.startswith("if the 6 units lie evenly among the addresses;")


def test_each_line_setting_with_units_adds_what_the_rarer_probes_take() -> None:
    """Computed: seven kinds to 247 addresses, 8 characters of 10 bits at 9600 baud and 20 ms each,
    are 49.0 s."""
    schedule = Schedule.plan(common_settings(), ALL)
    assert estimate(schedule, Pace()).thorough == pytest.approx(7 * 247 * (80 / 9600 + 0.02))
    assert estimate(Schedule.plan([SETTINGS], ALL), Pace()).thorough == 0


def test_listening_before_the_first_request_is_counted() -> None:
    port = ScriptedPort(registers(1, {}))
    events = list(Survey(Line(port, SETTINGS), [SETTINGS], [1], listen_first=LISTEN_FIRST + 7))
    longer = next(event.estimate for event in events if isinstance(event, Started))
    plain = estimate(Schedule.plan([SETTINGS], [1]), Pace())
    assert longer == plain.after(LISTEN_FIRST + 7)

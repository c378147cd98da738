"""A live unit beside the notes of its data sheet, on the virtual segment."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.drafting.draft import draft
from busprobe.profiles.drafting.notes import notes
from busprobe.profiles.read_requests import Block
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.register_watch import Observed, Watch, observe
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS, ScriptedPort, registers

WIND = notes({"points": [{"name": "Wind", "register": 31}, {"name": "Direction", "register": 33}]})


def at(scenario: str, address: int) -> tuple[Observed, Segment]:
    segment = Segment(load_scenario(scenario), VirtualClock())
    return observe(Line(segment.port(), LineSettings.parse("9600-8N1")), address, WIND), segment


def test_a_unit_gives_what_a_profile_is_drafted_from() -> None:
    """The notes count from 1, the unit does not say so, and its float has the low register
    first."""
    observed, _ = at("generic", 5)
    assert observed.given == (Block(3, 30, 3),)
    assert observed.seen.objects[1] == "WT-5"
    made = draft(WIND, observed.seen)
    assert made.shift == -1
    best = made.choices[0].best
    assert best is not None
    assert (best.point.at.wire, str(best.point.type), str(best.point.order)) == (
        30,
        "float32",
        "CDAB",
    )
    assert isinstance(best.reading.value, float)
    assert 5 < best.reading.value < 8


@pytest.mark.parametrize("scenario", ["clash", "generic"])
def test_where_not_just_one_unit_answers_nothing_is_drafted(scenario: str) -> None:
    with pytest.raises(RefusedError, match="Nothing can be drafted at address 1"):
        at(scenario, 1)


def test_a_watch_reads_again_what_is_wanted_and_remembers_what_it_saw() -> None:
    segment = Segment(load_scenario("generic"), VirtualClock())
    line = Line(segment.port(), LineSettings.parse("9600-8N1"))
    watch = Watch(line, 5)
    first = watch.look(WIND)
    line.clock.sleep_until(line.clock.now() + 40)
    second = watch.look(WIND)
    assert second.seen.registers.keys() == first.seen.registers.keys()
    assert second.seen.registers != first.seen.registers
    assert second.seen.earlier == (first.seen.registers,)
    more = notes({"points": [*WIND.raw_points, {"name": "Gusts", "register": 60}]})
    assert watch.look(more).given == first.given


def test_a_unit_that_is_gone_is_not_shown_with_old_values() -> None:
    segment = Segment(load_scenario("generic"), VirtualClock())
    watch = Watch(Line(segment.port(), LineSettings.parse("9600-8N1")), 5)
    watch.look(WIND)
    segment.connect("ws-1", connected=False)
    gone = watch.look(WIND)
    assert not gone.seen.registers
    assert gone.seen.silent
    assert (
        draft(WIND, gone.seen).remarks[0]
        == "Wind: the unit did not answer, so nothing is known of 31 (0x001F)."
    )


def test_a_unit_that_is_described_is_only_read() -> None:
    """Registers (3, 4), loopback (8), and what it says of itself (17, 43): no function code that
    writes is sent."""
    port = ScriptedPort(registers(5, dict.fromkeys(range(30, 40), 7)))
    watch = Watch(Line(port, SETTINGS), 5, load_all([shipped_folder()]).profiles.values())
    watch.look(WIND)
    watch.look(WIND)
    assert {frame[1] for _, frame in port.sent} == {3, 4, 8, 17, 43}

"""Reading an unknown unit's registers: what it refuses is narrowed down to what it gives; and a
live unit beside the notes of its data sheet, on the virtual segment."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import RefusedError
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.drafting.draft import draft
from busprobe.profiles.drafting.notes import notes
from busprobe.profiles.read_requests import Block
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.survey.register_reader import Observed, RegisterReader, Watch, observe
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers

WIND = notes({"points": [{"name": "Wind", "register": 31}, {"name": "Direction", "register": 33}]})


def reading(answers: Answers, *blocks: Block) -> tuple[RegisterReader, ScriptedPort]:
    port = ScriptedPort(answers)
    reader = RegisterReader(Line(port, SETTINGS), 5)
    reader.read(blocks)
    return reader, port


def limited(values: dict[int, int], most: int) -> Answers:
    """A unit that gives at most so many registers in one request."""
    plain = registers(5, values)

    def answers(request: bytes, line: LineSettings) -> Iterable[tuple[float, bytes]]:
        too_many = request[1] in (3, 4) and int.from_bytes(request[4:6], "big") > most
        return [(0.02, frame(5, request[1] | 0x80, 3))] if too_many else plain(request, line)

    return answers


def quiet(answers: Answers) -> Answers:
    """The same unit, silent where it would refuse."""

    def silent(request: bytes, line: LineSettings) -> Iterable[tuple[float, bytes]]:
        return [(at, data) for at, data in answers(request, line) if not data[1] & 0x80]

    return silent


def test_what_is_given_as_a_whole_costs_one_request() -> None:
    reader, port = reading(registers(5, dict.fromkeys(range(20), 7)), Block(3, 4, 10))
    assert reader.given() == (Block(3, 4, 10),)
    assert len(port.sent) == 1
    assert reader.most is None


def test_a_hole_is_narrowed_down_to_the_largest_runs_around_it() -> None:
    values = {register: register for register in range(20) if register not in (5, 6, 13)}
    reader, _ = reading(registers(5, values), Block(3, 0, 20))
    assert reader.given() == (Block(3, 0, 5), Block(3, 7, 6), Block(3, 14, 6))
    assert reader.registers[3, 12] == 12
    assert reader.most is None


def test_a_limit_of_length_is_told_from_a_hole() -> None:
    reader, _ = reading(limited(dict.fromkeys(range(200), 1), 61), Block(4, 0, 125))
    assert reader.given() == (Block(4, 0, 125),)
    assert reader.most == 61


def test_a_unit_that_is_silent_on_what_it_lacks_is_narrowed_down_too() -> None:
    reader, _ = reading(quiet(registers(5, {3: 1, 4: 2})), Block(3, 2, 4))
    assert reader.given() == (Block(3, 3, 2),)
    assert reader.silent == [Block(3, 2, 1), Block(3, 5, 1)]


def test_a_unit_that_stays_silent_is_not_asked_for_ever() -> None:
    reader, port = reading(lambda request, line: [], Block(3, 0, 125))
    assert reader.given() == ()
    assert len(port.sent) < 60
    assert sum(block.count for block in reader.silent) == 125


def test_a_function_code_that_the_unit_lacks_is_asked_once() -> None:
    def answers(request: bytes, line: LineSettings) -> Iterable[tuple[float, bytes]]:
        return (
            [(0.02, frame(5, 0x84, 1))] if request[1] == 4 else registers(5, {0: 1})(request, line)
        )

    reader, port = reading(answers, Block(4, 0, 8), Block(4, 20, 8), Block(3, 0, 1))
    assert reader.given() == (Block(3, 0, 1),)
    assert [data[1] for _, data in port.sent] == [4, 3]


@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(0, 30)), st.integers(1, 31))
def test_every_register_the_unit_has_is_found_whatever_it_lacks_and_whatever_its_limit(
    have: set[int], most: int
) -> None:
    values = {register: register + 1 for register in have}
    reader, _ = reading(limited(values, most), Block(3, 0, 31))
    assert reader.registers == {(3, register): value for register, value in values.items()}
    assert reader.longest <= most
    assert reader.most in (None, most)


def test_another_look_costs_one_request_a_run_and_asks_for_no_hole_again() -> None:
    values = {register: register for register in range(20) if register not in (5, 6, 13)}
    reader, port = reading(registers(5, values), Block(3, 0, 20))
    before = len(port.sent)
    values[12] = 77
    reader.refresh({(3, register) for register in range(20)})
    assert len(port.sent) - before == 3
    assert reader.registers[3, 12] == 77
    before = len(port.sent)
    reader.refresh({(3, 2)})
    assert len(port.sent) - before == 1


def test_what_is_not_given_any_more_is_forgotten_until_it_is_given_again() -> None:
    values = dict.fromkeys(range(8), 1)
    answers = registers(5, values)
    switched_on = True
    reader, _ = reading(
        lambda request, line: answers(request, line) if switched_on else (), Block(3, 0, 8)
    )
    switched_on = False
    reader.refresh({(3, 0)})
    assert (reader.given(), reader.silent) == ((), [Block(3, 0, 8)])
    switched_on = True
    reader.refresh({(3, 0)})
    assert (reader.given(), reader.silent) == ((Block(3, 0, 8),), [])


def test_a_function_code_that_a_silent_unit_does_not_know_is_soon_not_tried_in_parts() -> None:
    """Each silence costs the reply wait twice; what was not asked in parts is said to be
    unknown."""
    plain = quiet(registers(5, dict.fromkeys(range(100), 7)))
    reader, port = reading(
        lambda request, line: plain(request, line) if request[1] == 3 else (), Block(4, 0, 6)
    )
    first = len(port.sent)
    reader.read([Block(4, 50, 6), Block(3, 50, 6)])
    assert len(port.sent) - first == 3
    assert reader.given() == (Block(3, 50, 6),)
    assert Block(4, 50, 6) in reader.silent


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

"""Reading an unknown unit's registers: what it refuses is narrowed down to what it gives."""

from __future__ import annotations

from collections.abc import Iterable

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.read_requests import Block
from busprobe.survey.register_reader import RegisterReader
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers


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

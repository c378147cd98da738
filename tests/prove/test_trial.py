"""Trying a table: what lies between the wanted registers is asked for before a master is told to
read it."""

from __future__ import annotations

import pytest

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PolledUnit, PollingTable, Wanted
from busprobe.prove.trial import try_table
from tests.prove.bench import LATENCY, SETTINGS, Answer, Misbehaviour, bench, framed

WAITS = Waits(reply=0.5)


def unit(*registers: int, address: int = 1, settings: LineSettings = SETTINGS) -> PolledUnit:
    wanted = tuple(Wanted(f"r{register}", Block(3, register, 1), 1.0) for register in registers)
    return PolledUnit(Place(address, settings), wanted, LATENCY)


def blocks(table: PollingTable) -> list[tuple[int, int]]:
    return [(row.block.register, row.block.count) for row in table.rows]


def asked(request: bytes) -> range:
    first = int.from_bytes(request[2:4], "big")
    return range(first, first + int.from_bytes(request[4:6], "big"))


def refusing(*holes: int) -> Misbehaviour:
    """A unit without these registers: exception 02 for any request that touches one."""
    return lambda number, request: (
        [(0.0, framed(request[0], 0x83, 2))] if set(holes) & set(asked(request)) else None
    )


def test_what_the_unit_gives_is_read_together() -> None:
    line, port = bench()
    assert blocks(try_table(line, [unit(0, 5)], WAITS).table) == [(0, 6)]
    assert len(port.sent) == 1


def test_a_refused_range_is_avoided_and_the_others_are_still_bridged() -> None:
    line, _ = bench(refusing(7))
    assert blocks(try_table(line, [unit(0, 5, 9, 13)], WAITS).table) == [(0, 6), (9, 5)]


def test_a_unit_that_is_silent_about_unknown_registers_is_treated_like_one_that_refuses_them() -> (
    None
):
    line, _ = bench(lambda number, request: [] if 3 in asked(request) else None)
    assert blocks(try_table(line, [unit(0, 5)], WAITS).table) == [(0, 1), (5, 1)]


def test_a_unit_that_answers_nothing_tells_nothing_of_its_registers() -> None:
    line, _ = bench(lambda number, request: [] if request[0] == 1 else None)
    trial = try_table(line, [unit(0, 5), unit(0, 5, address=2)], WAITS)
    assert blocks(trial.table) == [(0, 6), (0, 6)]
    assert [place.address for place, _ in trial.given] == [2]
    assert (trial.refused, trial.complete) == ((), False)


def test_what_was_refused_and_given_is_told() -> None:
    line, _ = bench(refusing(7))
    trial = try_table(line, [unit(0, 5, 9, 13)], WAITS)
    assert trial.refused == ((Place(1, SETTINGS), Block(3, 6, 3)),)
    assert trial.given == (
        (Place(1, SETTINGS), Block(3, 0, 6)),
        (Place(1, SETTINGS), Block(3, 9, 5)),
    )
    assert trial.complete


def test_where_only_the_length_is_too_much_requests_become_shorter() -> None:
    """The unit gives every register, but no more than four at once."""

    def short(number: int, request: bytes) -> Answer | None:
        return [(0.0, framed(request[0], 0x83, 3))] if len(asked(request)) > 4 else None

    line, _ = bench(short)
    table = try_table(line, [unit(0, 3, 6)], WAITS).table
    assert all(count <= 4 for _, count in blocks(table))
    assert sorted(name for row in table.rows for name in row.names) == ["r0", "r3", "r6"]


def test_one_disturbed_reply_does_not_decide() -> None:
    line, _ = bench(lambda number, request: [] if number == 0 else None)
    assert blocks(try_table(line, [unit(0, 5)], WAITS).table) == [(0, 6)]


def test_a_refusal_concerns_its_own_unit_only() -> None:
    other = LineSettings.parse("19200-8E1")
    refuse = refusing(3)
    line, port = bench(
        lambda number, request: refuse(number, request) if port.settings == SETTINGS else None
    )
    table = try_table(line, [unit(0, 5), unit(0, 5, settings=other)], WAITS).table
    assert [(row.place.settings, row.block.count) for row in table.rows] == [
        (SETTINGS, 1),
        (SETTINGS, 1),
        (other, 6),
    ]


def test_a_failing_port_is_said_and_not_taken_for_a_refusal() -> None:
    line, port = bench()
    port.unplugged = True
    with pytest.raises(PortError):
        try_table(line, [unit(0, 5)], WAITS)

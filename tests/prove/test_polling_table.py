"""The polling table: cheapest by comparison with all tables there are, and timed as the standard's
figures say."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.files.documents import to_document
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.line.timing import exchange_time
from busprobe.profiles.fields import MOST_REGISTERS
from busprobe.profiles.loading import load_profile
from busprobe.profiles.read_requests import Block
from busprobe.prove.documents import published_table
from busprobe.prove.polling_table import (
    PolledUnit,
    PollingTable,
    Wanted,
    cheapest_cut,
    polling_table,
)
from busprobe.prove.words import hindrance_words

SETTINGS = LineSettings.parse("9600-8E1")

SHIPPED = Path(__file__).parents[2] / "profiles"


def unit(
    *blocks: tuple[int, int],
    every: float = 1.0,
    address: int = 5,
    latency: float = 0.01,
    most: int = MOST_REGISTERS,
    refused: tuple[Block, ...] = (),
) -> PolledUnit:
    """A unit of which blocks (register, count) are wanted."""
    wanted = tuple(
        Wanted(f"r{register}", Block(3, register, count), every) for register, count in blocks
    )
    return PolledUnit(Place(address, SETTINGS), wanted, latency, most, refused=refused)


def requests(table: PollingTable) -> list[tuple[int, int]]:
    return [(row.block.register, row.block.count) for row in table.rows]


def test_a_small_gap_is_read_and_a_wide_one_is_not() -> None:
    """At 9600-8E1 (1.1458 ms a character) and 10 ms latency another request costs 28.9 ms: as much
    as 12.6 registers.

    t3.5 4.010 ms + 13 characters 14.896 ms + 10 ms = 28.906 ms; a register is 2 characters, 2.2917
    ms.
    """
    assert requests(polling_table([unit((0, 1), (13, 1))])) == [(0, 14)]
    assert requests(polling_table([unit((0, 1), (14, 1))])) == [(0, 1), (14, 1)]


def test_registers_read_only_because_they_lie_between_are_named() -> None:
    [row] = polling_table([unit((0, 2), (4, 1), (7, 2))]).rows
    assert row.between == (Block(3, 2, 2), Block(3, 5, 2))
    assert row.names == ("r0", "r4", "r7")


def test_no_request_touches_what_the_unit_refuses() -> None:
    table = polling_table([unit((0, 1), (5, 1), refused=(Block(3, 3, 1),))])
    assert requests(table) == [(0, 1), (5, 1)]


def test_a_refusal_concerns_its_own_function_code() -> None:
    assert requests(polling_table([unit((0, 1), (5, 1), refused=(Block(4, 3, 1),))])) == [(0, 6)]


def test_a_refused_point_and_one_too_long_are_left_out_and_named() -> None:
    table = polling_table([unit((0, 1), (2, 4), (9, 2), most=3, refused=(Block(3, 10, 1),))])
    assert requests(table) == [(0, 1)]
    assert [(one.name, hindrance_words(one.hindrance)) for one in table.left_out] == [
        ("r2", "4 registers in one request, the unit gives 3"),
        ("r9", "the unit refuses registers 10 to 10"),
    ]


def test_function_codes_are_never_mixed() -> None:
    wanted = (Wanted("a", Block(3, 0, 1), 1), Wanted("b", Block(4, 1, 1), 1))
    table = polling_table([PolledUnit(Place(5, SETTINGS), wanted, 0.01)])
    assert [row.block for row in table.rows] == [Block(3, 0, 1), Block(4, 1, 1)]


def test_a_seldom_wanted_point_rides_along_where_that_is_cheaper_and_not_where_it_is_dearer() -> (
    None
):
    """One register more in an urgent request, against a request of its own now and then."""

    def cut(seldom: float) -> list[tuple[int, int]]:
        wanted = (Wanted("urgent", Block(3, 0, 1), 1.0), Wanted("seldom", Block(3, 1, 1), seldom))
        return requests(polling_table([PolledUnit(Place(5, SETTINGS), wanted, 0.01)]))

    assert cut(10.0) == [(0, 2)]  # 2.3 ms a second against 31.2 ms every 10 s
    assert cut(20.0) == [(0, 1), (1, 1)]  # 2.3 ms a second against 1.6


def test_a_row_is_repeated_as_often_as_its_most_urgent_point_asks() -> None:
    wanted = (Wanted("a", Block(3, 0, 1), 5.0), Wanted("b", Block(3, 1, 1), 2.0))
    [row] = polling_table([PolledUnit(Place(5, SETTINGS), wanted, 0.01)]).rows
    assert row.every_s == 2.0


def test_an_interval_of_nothing_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match=r"'r0' of unit 5 \(0x05\) is wanted every 0 s"):
        polling_table([unit((0, 1), every=0.0)])


def after_one_another(gaps: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    register = 0
    for gap, count in gaps:
        yield register + gap, count
        register += gap + count


SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 4)), min_size=1, max_size=6)
APART = st.lists(st.tuples(st.integers(0, 12), st.integers(1, 4)), min_size=1, max_size=6).map(
    lambda gaps: list(after_one_another(gaps))
)
"""Spans that share no registers, each given by the gap before it and its length."""
REFUSED = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 2)), max_size=2)


def readable(one: PolledUnit, group: Sequence[Wanted]) -> Block | None:
    """The block that reads `group`, None where the unit would not give it; written apart from the
    code under test."""
    registers = {
        r for w in group for r in range(w.block.register, w.block.register + w.block.count)
    }
    first, last = min(registers), max(registers)
    refused = {
        r for block in one.refused for r in range(block.register, block.register + block.count)
    }
    if last - first + 1 > one.most or refused & set(range(first, last + 1)):
        return None
    return Block(3, first, last - first + 1)


def cost(one: PolledUnit, groups: Sequence[Sequence[Wanted]]) -> float | None:
    total = 0.0
    for group in groups:
        block = readable(one, group)
        if block is None:
            return None
        total += exchange_time(one.place.settings, 8, 5 + 2 * block.count, one.latency_s) / min(
            w.every_s for w in group
        )
    return total


def partitions(items: Sequence[Wanted]) -> Iterator[list[list[Wanted]]]:
    """All ways to put `items` into groups, neighbours or not."""
    if not items:
        yield []
        return
    for rest in partitions(items[1:]):
        yield [[items[0]], *rest]
        for i, group in enumerate(rest):
            yield [*rest[:i], [items[0], *group], *rest[i + 1 :]]


def given_unit(
    spans: list[tuple[int, int]],
    refused: list[tuple[int, int]],
    latency: float,
    most: int,
    everies: list[float],
) -> PolledUnit:
    """A unit whose single points are all readable."""
    wanted = tuple(
        Wanted(str(i), Block(3, register, count), every)
        for i, ((register, count), every) in enumerate(zip(sorted(spans), everies, strict=False))
    )
    one = PolledUnit(
        Place(5, SETTINGS),
        wanted,
        latency,
        most=most,
        refused=tuple(Block(3, r, c) for r, c in refused),
    )
    kept = tuple(w for w in one.wanted if readable(one, [w]))
    return PolledUnit(Place(5, SETTINGS), kept, latency, most=most, refused=one.refused)


@given(SPANS, REFUSED, st.sampled_from([0.0, 0.005, 0.03, 0.2]), st.sampled_from([4, 10, 125]))
def test_no_grouping_at_all_is_cheaper_where_all_is_wanted_equally_often(
    spans: list[tuple[int, int]], refused: list[tuple[int, int]], latency: float, most: int
) -> None:
    """Against brute force over every way to group the points, neighbours or not."""
    one = given_unit(spans, refused, latency, most, [1.0] * len(spans))
    ours = cost(one, cheapest_cut(one, one.wanted))
    assert ours is not None
    options = [c for groups in partitions(one.wanted) if (c := cost(one, groups)) is not None]
    assert ours == pytest.approx(min(options))


EVERIES = st.lists(st.sampled_from([0.5, 1.0, 10.0, 60.0]), min_size=6, max_size=6)


@given(APART, REFUSED, st.sampled_from([0.0, 0.01, 0.1]), EVERIES)
def test_no_grouping_is_cheaper_and_none_as_cheap_has_fewer_requests_of_points_apart(
    spans: list[tuple[int, int]],
    refused: list[tuple[int, int]],
    latency: float,
    everies: list[float],
) -> None:
    """Against brute force over every way to group points that are wanted at different intervals."""
    one = given_unit(spans, refused, latency, 125, everies)
    ours = cheapest_cut(one, one.wanted)
    assert sorted(w.name for group in ours for w in group) == sorted(w.name for w in one.wanted)
    price = cost(one, ours)
    assert price is not None
    for other in partitions(one.wanted):
        dear = cost(one, other)
        assert dear is None or dear > price - 1e-12
        assert dear is None or dear > price + 1e-12 or len(other) >= len(ours)


@given(SPANS, REFUSED, st.sampled_from([0.0, 0.01, 0.1]), EVERIES)
def test_points_that_share_registers_are_all_read_and_never_dearer_than_each_alone(
    spans: list[tuple[int, int]],
    refused: list[tuple[int, int]],
    latency: float,
    everies: list[float],
) -> None:
    one = given_unit(spans, refused, latency, 125, everies)
    ours = cheapest_cut(one, one.wanted)
    assert sorted(w.name for group in ours for w in group) == sorted(w.name for w in one.wanted)
    price, alone = cost(one, ours), cost(one, [[w] for w in one.wanted])
    assert price is not None
    assert alone is not None
    assert price <= alone + 1e-12


def test_an_exchange_takes_its_characters_latency_and_silence() -> None:
    """9600-8E1: an 8-character request takes 9.167 ms and t3.5 is 4.010 ms (V1.02 sections 2.5.1
    and 2.5.1.1)."""
    assert exchange_time(SETTINGS, 8, 7, 0.0) == pytest.approx(
        0.0040104 + 0.0091667 + 7 * 0.00114583, abs=1e-6
    )
    assert exchange_time(SETTINGS, 8, 7, 0.02, gap=0.05) - exchange_time(
        SETTINGS, 8, 7, 0.0
    ) == pytest.approx(0.07)


def test_the_cycle_shrinks_with_the_baud_rate_but_for_what_the_units_take() -> None:
    """At 115200 baud t3.5 is 1.750 ms (V1.02 section 2.5.1.1) before the request and in the unit's
    own wait."""
    table = polling_table([unit((0, 10), latency=0.030)])
    own = 0.030 - SETTINGS.t3_5
    assert table.cycles()[9600] == pytest.approx(table.cycle_s)
    assert table.cycles()[115200] == pytest.approx(2 * 0.00175 + own + 33 * 11 / 115200)
    assert list(table.cycles().values()) == sorted(table.cycles().values(), reverse=True)


def test_a_unit_that_answers_within_the_silence_keeps_its_latency_at_any_rate() -> None:
    """It goes by the length of the request, so nothing of its reply time follows the baud rate."""
    [row] = polling_table([unit((0, 1), latency=0.001)]).rows
    assert row.at_baud(1200).latency_s == 0.001


def test_load_is_the_share_of_time_that_the_requests_take() -> None:
    table = polling_table([unit((0, 1), every=0.1), unit((0, 1), every=0.1, address=6)])
    assert table.load == pytest.approx(2 * exchange_time(SETTINGS, 8, 7, 0.01) / 0.1)


def test_a_shipped_profile_gives_a_table_within_its_limits() -> None:
    """The demo energy meter: all points fetched, each once, and a point wanted more often makes its
    row so."""
    profile = load_profile(SHIPPED / "brookvale-bm-330.toml")
    first = profile.points[0].name
    wanted = tuple(
        Wanted(
            point.name,
            Block(point.function, point.at.wire, point.count),
            1.0 if point.name == first else 10.0,
        )
        for point in profile.points
    )
    table = polling_table([PolledUnit(Place(3, SETTINGS), wanted, 0.02, profile.limits.registers)])
    assert sorted(name for row in table.rows for name in row.names) == sorted(
        p.name for p in profile.points
    )
    assert all(row.block.count <= profile.limits.registers for row in table.rows)
    assert min(row.every_s for row in table.rows if first in row.names) == 1.0


def test_the_document_holds_the_requests_and_the_cycle_at_all_rates() -> None:
    document = json.loads(
        json.dumps(to_document(published_table(polling_table([unit((0, 1))]), 0.05)))
    )
    assert document["format"] == "busprobe.polling/1"
    # 05 03 00 00 00 01 with its CRC, computed by pymodbus.
    assert document["rows"][0]["request"] == "05 03 00 00 00 01 85 8E"
    assert document["measured_cycle_ms"] == 50.0
    assert [entry["baud"] for entry in document["at_bauds"]] == [
        1200,
        2400,
        4800,
        9600,
        19200,
        38400,
        57600,
        115200,
    ]

"""The address plan: never a collision, always the goal, never a write too many."""

from __future__ import annotations

from collections import deque

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import RefusedError, UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.readdress.move_order import OrderedMove, order_moves, propose_addresses, remarks


def replay(start: dict[str, int], moves: tuple[OrderedMove[str], ...]) -> dict[str, int]:
    """Carry out `moves` on a model of the pair; fails the test on any collision."""
    where = dict(start)
    for move in moves:
        assert where[move.unit] == move.old
        assert move.new not in where.values(), f"{move.words} collides in {where}"
        assert move.new in ALL
        where[move.unit] = move.new
    return where


@st.composite
def starts_and_goals(
    draw: st.DrawFn, most: int = 40, highest: int = 247
) -> tuple[dict[str, int], dict[str, int]]:
    """Units and where they are and should be, close together so that they get in the way."""
    count = draw(st.integers(1, most))
    pool = list(range(1, min(highest, count + draw(st.integers(1, 10))) + 1))
    names = [f"T{n}" for n in range(count)]
    start = draw(st.permutations(pool))[:count]
    goal = draw(st.permutations(pool))[:count]
    return dict(zip(names, start, strict=True)), dict(zip(names, goal, strict=True))


@st.composite
def shared_starts(
    draw: st.DrawFn, most: int = 30, highest: int = 247
) -> tuple[dict[str, int], dict[str, int], dict[str, LineSettings]]:
    """The same of a pair with mixed line settings: units may share an address at different
    settings."""
    start, goal = draw(starts_and_goals(most, highest))
    pool = sorted({*start.values()})
    start = {name: draw(st.sampled_from(pool)) for name in start}
    bauds = iter(range(300, 300 + len(start)))
    return start, goal, {name: LineSettings(next(bauds)) for name in start}


@given(starts_and_goals())
@settings(max_examples=150)
def test_replaying_the_plan_never_collides_and_ends_at_the_goal(
    case: tuple[dict[str, int], dict[str, int]],
) -> None:
    start, goal = case
    assert replay(start, order_moves(start, goal)) == goal


@given(shared_starts())
@settings(max_examples=100)
def test_units_that_share_an_address_at_different_settings_are_moved_apart(
    case: tuple[dict[str, int], dict[str, int], dict[str, LineSettings]],
) -> None:
    start, goal, lines = case
    assert replay(start, order_moves(start, goal, settings=lines)) == goal


def fewest_writes(start: dict[str, int], goal: dict[str, int], addresses: range) -> int:
    """The true minimum, by breadth-first search over all collision-free writes."""
    names = list(start)
    first, last = tuple(start.values()), tuple(goal[name] for name in names)
    seen = {first: 0}
    waiting = deque([first])
    while waiting:
        state = waiting.popleft()
        if state == last:
            return seen[state]
        for index in range(len(state)):
            for address in addresses:
                new = (*state[:index], address, *state[index + 1 :])
                if address not in state and new not in seen:
                    seen[new] = seen[state] + 1
                    waiting.append(new)
    raise AssertionError("unreachable goal")


@given(starts_and_goals(most=4, highest=6))
@settings(max_examples=60)
def test_no_plan_needs_fewer_writes(case: tuple[dict[str, int], dict[str, int]]) -> None:
    start, goal = case
    used = max(*start.values(), *goal.values())
    assert len(order_moves(start, goal)) == fewest_writes(start, goal, range(1, used + 2))


@given(shared_starts(most=4, highest=6))
@settings(max_examples=40)
def test_no_plan_from_shared_addresses_needs_fewer_writes(
    case: tuple[dict[str, int], dict[str, int], dict[str, LineSettings]],
) -> None:
    start, goal, lines = case
    used = max(*start.values(), *goal.values())
    assert len(order_moves(start, goal, settings=lines)) == fewest_writes(
        start, goal, range(1, used + 2)
    )


def test_a_swap_goes_through_a_free_address() -> None:
    moves = order_moves({"P": 1, "Q": 2}, {"P": 2, "Q": 1})
    assert [(m.unit, m.old, m.new, m.aside) for m in moves] == [
        ("P", 1, 247, True),
        ("Q", 2, 1, False),
        ("P", 247, 2, False),
    ]
    assert "to wait there" in moves[0].words


def test_a_chain_is_done_from_its_free_end() -> None:
    moves = order_moves({"P": 1, "Q": 2, "R": 3}, {"P": 2, "Q": 3, "R": 4})
    assert [m.unit for m in moves] == ["R", "Q", "P"]


def test_units_that_are_right_are_not_written_to() -> None:
    assert order_moves({"P": 5, "Q": 6}, {"P": 5, "Q": 6}) == ()


def test_a_unit_the_plan_does_not_name_stays_and_is_never_hit() -> None:
    with pytest.raises(UsageError, match="to P and to Q"):
        order_moves({"P": 1, "Q": 2}, {"P": 2})


def test_units_sharing_an_address_now_are_refused() -> None:
    with pytest.raises(RefusedError, match=r"P and Q share unit address 1 \(0x01\)"):
        order_moves({"P": 1, "Q": 1}, {"P": 10, "Q": 11})
    at = LineSettings.parse("9600-8N1")
    with pytest.raises(RefusedError, match="P and Q share"):
        order_moves({"P": 1, "Q": 1}, {"P": 10, "Q": 11}, settings={"P": at, "Q": at})


def test_a_unit_that_is_not_on_the_pair_is_named() -> None:
    with pytest.raises(UsageError, match="not on the pair: Z"):
        order_moves({"P": 1}, {"Z": 2})


@pytest.mark.parametrize("address", [0, 248])
def test_only_unit_addresses_are_goals(address: int) -> None:
    with pytest.raises(UsageError, match="from 1 to 247"):
        order_moves({"P": 1}, {"P": address})


def test_the_range_of_a_unit_limits_goal_and_stepping_aside() -> None:
    with pytest.raises(UsageError, match="allows 1-7"):
        order_moves({"P": 1}, {"P": 8}, allowed={"P": range(1, 8)})
    moves = order_moves(
        {"P": 1, "Q": 2}, {"P": 2, "Q": 1}, allowed={"P": range(1, 3), "Q": range(1, 8)}, avoid=[7]
    )
    assert [(m.unit, m.new) for m in moves] == [("Q", 6), ("P", 2), ("Q", 1)]


def test_a_cycle_without_a_free_address_is_refused() -> None:
    with pytest.raises(RefusedError, match="no free address"):
        order_moves({"P": 1, "Q": 2}, {"P": 2, "Q": 1}, allowed={"P": (1, 2), "Q": (1, 2)})


def test_the_proposal_counts_along_the_cable_and_keeps_factory_addresses_free() -> None:
    assert propose_addresses(["P", "Q", "R"], first=1, spares=1, keep_free=(1, 4)) == {
        "P": 2,
        "Q": 5,
        "R": 7,
    }
    with pytest.raises(UsageError, match="not enough addresses"):
        propose_addresses(["P", "Q"], first=246)


def test_a_goal_at_a_factory_address_is_remarked_upon() -> None:
    assert remarks({"P": 1, "Q": 2}, factory=(1, 247)) == (
        "P would keep the factory address 1 (0x01); a spare part would collide with it.",
    )

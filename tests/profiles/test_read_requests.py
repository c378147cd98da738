"""Which registers are asked for together."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.profiles.read_requests import (
    Block,
    apart,
    blocks,
    covering,
    fingerprint_blocks,
    halves,
    known_registers,
    windows,
)
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from tests.profiles.making import profile


def of_points(*spans: tuple[int, int, str], limit: int = 125) -> Profile:
    points = [
        {"name": str(i), "function": function, "register": register, "type": kind, "overlaps": True}
        for i, (function, register, kind) in enumerate(spans)
    ]
    return profile(points=points, limits={"registers": limit})


def test_touching_points_are_read_together_and_holes_are_not_read() -> None:
    made = of_points((4, 2, "float32"), (4, 0, "float32"), (4, 52, "float32"), (3, 4, "uint16"))
    assert blocks(made) == (Block(3, 4, 1), Block(4, 0, 4), Block(4, 52, 2))


def test_a_value_is_not_split_by_the_units_limit() -> None:
    made = of_points((3, 0, "uint16"), (3, 1, "uint32"), (3, 3, "uint16"), limit=2)
    assert blocks(made) == (Block(3, 0, 1), Block(3, 1, 2), Block(3, 3, 1))


def test_registers_shared_by_points_are_read_once() -> None:
    assert blocks(of_points((3, 7, "bits"), (3, 7, "uint16"), (3, 6, "uint64"))) == (
        Block(3, 6, 4),
    )


def test_nothing_to_read_without_points() -> None:
    assert blocks(profile()) == ()


def test_shipped_energy_meter_is_read_in_three_requests() -> None:
    meter = load_all([shipped_folder()]).profiles["brookvale-bm-330"]
    assert blocks(meter) == (Block(4, 0, 8), Block(4, 52, 2), Block(4, 72, 2))


def with_scale(*known: int, scale: int, limit: int = 125) -> Profile:
    points = [{"name": str(r), "function": 3, "register": r, "type": "uint16"} for r in known]
    points[0] = {**points[0], "scale_register": {"register": scale}}
    return profile(points=points, limits={"registers": limit})


def test_a_value_and_its_scale_are_asked_for_together_where_what_lies_between_is_known() -> None:
    assert blocks(with_scale(0, 1, 2, scale=3)) == (Block(3, 0, 4),)
    assert blocks(with_scale(5, 6, scale=4)) == (Block(3, 4, 3),)
    assert blocks(with_scale(0, 2, scale=3)) == (Block(3, 0, 1), Block(3, 2, 2))
    assert blocks(with_scale(0, 1, 2, scale=3, limit=3)) == (Block(3, 0, 3), Block(3, 3, 1))
    together = blocks(with_scale(3, 0, 1, 2, 4, 5, 6, scale=6, limit=4))
    assert Block(3, 3, 4) in together


@given(
    st.lists(
        st.tuples(
            st.sampled_from([3, 4]),
            st.integers(0, 40),
            st.sampled_from(["uint16", "int32", "float64"]),
        )
    ),
    st.integers(4, 20),
)
def test_every_point_lies_whole_in_one_request_within_the_limit(
    spans: list[tuple[int, int, str]], limit: int
) -> None:
    made = of_points(*spans, limit=limit)
    plan = blocks(made)
    assert all(1 <= block.count <= limit for block in plan)
    for point in made.points:
        assert any(
            block.function == point.function
            and block.register <= point.at.wire
            and point.last < block.register + block.count
            for block in plan
        )
    asked = {(b.function, r) for b in plan for r in range(b.register, b.register + b.count)}
    needed = {(p.function, r) for p in made.points for r in range(p.at.wire, p.last + 1)}
    assert asked == needed


def test_fingerprint_registers_of_different_profiles_are_not_read_together() -> None:
    def tested(*registers: int) -> Profile:
        return profile(
            fingerprint={
                "registers": [{"function": 3, "register": r, "equals": 5} for r in registers]
            }
        )

    assert fingerprint_blocks([tested(40, 41), tested(42), tested(42), tested()]) == (
        Block(3, 40, 2),
        Block(3, 42, 1),
    )


def test_what_came_of_a_request_as_facts() -> None:
    block = Block(4, 9, 2)
    assert block.answered([5, 6]) == {(4, 9): 5, (4, 10): 6}
    assert block.keys == ((4, 9), (4, 10))


def test_windows_are_as_wide_as_one_request_and_no_wider() -> None:
    wanted = (Block(3, 40, 2), Block(3, 0, 1), Block(3, 200, 1), Block(4, 3, 1), Block(3, 124, 1))
    groups = windows(wanted, 125)
    assert groups == (
        (Block(3, 0, 1), Block(3, 40, 2), Block(3, 124, 1)),
        (Block(3, 200, 1),),
        (Block(4, 3, 1),),
    )
    assert covering(groups[0]) == Block(3, 0, 125)
    assert windows(wanted, 124)[0] == (Block(3, 0, 1), Block(3, 40, 2))


def test_a_window_that_is_refused_is_parted_at_its_widest_gap() -> None:
    assert halves((Block(3, 0, 4), Block(3, 5, 1), Block(3, 40, 2))) == (
        (Block(3, 0, 4), Block(3, 5, 1)),
        (Block(3, 40, 2),),
    )
    assert halves((Block(3, 0, 4), Block(3, 2, 4))) == ((Block(3, 0, 4),), (Block(3, 2, 4),))


def test_a_refused_block_is_taken_apart_into_its_values() -> None:
    made = of_points((3, 0, "float32"), (3, 2, "uint16"), (4, 2, "uint16"))
    assert apart(made, Block(3, 0, 3)) == (Block(3, 0, 2), Block(3, 2, 1))


def test_known_registers_are_those_of_points_scales_and_fingerprint() -> None:
    made = profile(
        points=[
            {
                "name": "U",
                "function": 4,
                "register": 0,
                "type": "int32",
                "scale_register": {"register": 9},
            }
        ],
        fingerprint={"registers": [{"function": 3, "register": 5}]},
    )
    assert known_registers(made) == {(4, 0), (4, 1), (4, 9), (3, 5)}

"""Plots in characters: each column and mark is where the numbers say, at any size."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import FailuresOverTime, Times
from busprobe.wizard.prove.plots import failure_lines, scale_top, spread_lines, time_lines

SETTINGS = LineSettings.parse("9600-8N1")


def drawn(lines: list[object]) -> list[str]:
    return [str(line) for line in lines]


def times_of(*milliseconds: float) -> Times:
    times = Times()
    for each in milliseconds:
        times = times.adding(each / 1000)
    return times


def failing(address: int, *seconds: float) -> UnitTally:
    moments = FailuresOverTime()
    for each in seconds:
        moments = moments.adding(each)
    verdicts = {Verdict.OK: 100, Verdict.SILENT: len(seconds)}
    return UnitTally(Place(address, SETTINGS), verdicts, failures_over_time=moments)


def run(*units: UnitTally) -> Proof:
    return Proof(units, 1.0, 0.5, 0.0, seconds=60.0, rounds=100)


def test_replies_as_they_come_newest_on_the_right_with_an_x_for_each_failure() -> None:
    lines = drawn([*time_lines([10.0, None, 20.0], 20, 4)])
    assert lines == ["   20 ms │  █", "         │  █", "         │█ █", "    0 ms │█x█"]
    assert drawn([*time_lines([1.0] * 50 + [None], 20, 2)])[1] == "    0 ms │█████████x"


def test_a_spread_has_a_bar_for_each_time_and_marks_for_median_and_99_percent() -> None:
    lines = drawn([*spread_lines(times_of(10.0, 10.0, 10.1, 10.4), 28, 3)])
    assert lines == ["       2 │██        ", "         │████    ██", "  10.0 ms└─M───────9 10.4"]


def test_without_a_reply_there_is_no_spread() -> None:
    assert drawn([*spread_lines(Times(), 40, 4)]) == ["No reply yet."]


def test_failures_of_one_moment_stand_below_each_other() -> None:
    lines = drawn(
        [*failure_lines(run(failing(11, 30.5), failing(12), failing(13, 0.0, 30.5)), 46, 5)]
    )
    assert lines == [
        "11 9600-8N1    │···············1··············",
        "13 9600-8N1    │1··············1··············",
        "               └0 s                       60 s",
    ]


def test_where_room_is_short_the_worst_units_stay_and_the_others_are_put_together() -> None:
    units = [failing(address, *(float(n) for n in range(address))) for address in range(1, 9)]
    lines = drawn([*failure_lines(run(*units), 60, 4)])
    assert [line[:11] for line in lines[:3]] == ["7 9600-8N1 ", "8 9600-8N1 ", "6 others   "]


def test_a_run_without_failures_says_so() -> None:
    assert drawn([*failure_lines(run(failing(11), failing(12)), 60, 4)]) == [
        "No poll of 2 units failed."
    ]


@example([5e-324], [], [], 20, 2)
@given(
    st.lists(st.one_of(st.none(), st.floats(0, 1e5)), max_size=60),
    st.lists(st.integers(0, 20_000), max_size=40),
    st.lists(st.floats(0, 59), max_size=40),
    st.integers(20, 130),
    st.integers(2, 12),
)
def test_no_plot_is_wider_or_higher_than_its_place(
    replies: list[float | None], steps: list[int], failures: list[float], width: int, height: int
) -> None:
    spread = times_of(*(step / 10 for step in steps))
    proof = run(failing(11, *failures), failing(247, *failures[:3]))
    for lines in (
        time_lines(replies, width, height),
        spread_lines(spread, width, height),
        failure_lines(proof, width, height),
    ):
        assert len(lines) <= height
        assert all(len(str(line)) <= max(width, 28) for line in lines)


@given(st.floats(min_value=0.001, max_value=1e6))
def test_the_scale_of_a_plot_holds_the_largest_time_and_is_no_more_than_two_and_a_half_times_it(
    largest: float,
) -> None:
    top = scale_top(largest)
    assert largest <= top * (1 + 1e-9)
    assert top <= 2.5 * largest * (1 + 1e-9)

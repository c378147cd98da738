"""Advice for the master: each number follows from what was measured."""

from __future__ import annotations

import pytest

from busprobe.line.place import Place
from busprobe.line.timing import exchange_time
from busprobe.profiles.read_requests import Block
from busprobe.prove.advice import LOST_AT_MOST, PAUSES, Advised, advise
from busprobe.prove.endurance import RunFinished, RunPlan, endure, target
from busprobe.prove.polling_table import PolledUnit, PollingTable, Wanted, polling_table
from busprobe.prove.proof import Proof
from tests.prove.bench import LATENCY, SETTINGS, Answer, Misbehaviour, bench, usual


def proof(
    misbehaviour: Misbehaviour, *, latency: float = LATENCY, rounds: int = 100, pause: float = 0.0
) -> Proof:
    line, _ = bench(misbehaviour, latency=latency)
    targets = [target(Place(address, SETTINGS)) for address in (1, 2)]
    *_, last = endure(line, targets, RunPlan(rounds=rounds, pause=pause))
    assert isinstance(last, RunFinished)
    return last.proof


def advised(measured: Proof, name: str, table: PollingTable | None = None) -> Advised:
    return next(item for item in advise(measured, table) if item.name == name)


def well(number: int, request: bytes) -> Answer | None:
    return None


def silent(*numbers: int) -> Misbehaviour:
    return lambda number, request: [] if number in numbers else None


def test_quick_units_get_the_shortest_timeout_of_the_trade() -> None:
    assert advised(proof(well), "response timeout").value == 200


def test_slow_units_get_twice_their_slowest_reply_and_the_time_of_the_reply_itself() -> None:
    """0.3 s at the slowest and 7 characters of 1.1458 ms at 9600-8E1: 608 ms, rounded up to 610."""
    item = advised(
        proof(
            lambda number, request: [(0.1, usual(request))] if number == 5 else None, latency=0.2
        ),
        "response timeout",
    )
    assert item.value == 610
    assert "300 ms at unit 2" in item.reason


def test_late_replies_raise_the_timeout_and_ask_for_a_longer_measurement() -> None:
    item = advised(
        proof(lambda number, request: [(1.2, usual(request))] if number == 3 else None),
        "response timeout",
    )
    assert item.value >= 2 * 1200
    assert "measure again" in item.reason


def test_the_pause_that_was_clean_is_the_pause_advised() -> None:
    """At full speed 3.5 characters of 9600-8E1, 4.01 ms, rounded up; with a pause, that pause and
    nothing shorter."""
    assert advised(proof(well), "pause between frames").value == 5
    assert advised(proof(well, pause=0.02), "pause between frames").value == 20


@pytest.mark.parametrize(("used", "next_one"), [(0.0, 5), (0.02, 25), (0.5, 1000)])
def test_with_silent_polls_the_next_longer_pause_is_to_be_tried(used: float, next_one: int) -> None:
    item = advised(proof(silent(7), pause=used), "pause between frames")
    assert item.value == next_one
    assert "not yet a proven one" in item.reason


def test_beyond_the_longest_pause_there_is_another_cause() -> None:
    item = advised(proof(silent(7), pause=PAUSES[-1], rounds=10), "pause between frames")
    assert item.value == 1000 * PAUSES[-1]
    assert "look for the cause" in item.reason


def test_where_replies_are_garbled_too_no_longer_pause_is_advised() -> None:
    def noisy(number: int, request: bytes) -> Answer | None:
        return (
            [] if number == 7 else [(0.0, usual(request)[:-1] + b"\x00")] if number == 9 else None
        )

    item = advised(proof(noisy), "pause between frames")
    assert item.value == 5
    assert "mend the disturbance first" in item.reason


def test_where_units_stay_silent_together_no_longer_pause_is_advised() -> None:
    """A supply that fails for a while is no matter of pauses."""
    item = advised(proof(silent(*range(40, 52))), "pause between frames")
    assert item.value == 5
    assert "mend what they share first" in item.reason


def test_a_clean_bus_gets_one_retry() -> None:
    assert advised(proof(well), "retries").value == 1


@pytest.mark.parametrize(("failures", "rounds"), [(1, 100), (2, 50), (10, 100)])
def test_retries_bring_the_lost_readings_below_the_aim(failures: int, rounds: int) -> None:
    """As many retries as needed and not one more, at the worst unit's failure rate."""
    item = advised(proof(silent(*range(1, 2 * failures, 2)), rounds=rounds), "retries")
    rate = failures / rounds
    assert rate ** (item.value + 1) <= LOST_AT_MOST * (1 + 1e-9)
    assert item.value == 1 or rate**item.value > LOST_AT_MOST


def test_what_retries_cannot_mend_is_said() -> None:
    item = advised(proof(silent(*range(1, 100, 2)), rounds=100), "retries")
    assert item.value == 3
    assert "beyond what retries can mend" in item.reason
    assert item.reason.startswith("50 % of the polls of unit 2 failed")


def test_the_poll_ceiling_is_the_measured_round_and_a_dead_unit_costs_its_timeouts() -> None:
    """Two exchanges of 33.7 ms, rounded up to ten; a dead unit costs 200 ms twice."""
    measured = proof(well)
    round_ms = 2000 * exchange_time(SETTINGS, 8, 7, LATENCY)
    assert advised(measured, "poll ceiling: shortest cycle").value == pytest.approx(
        round_ms, abs=10
    )
    assert advised(measured, "cycle with one more unit silent").value == pytest.approx(
        round_ms + 2 * 200, abs=10
    )


def test_bus_load_is_that_of_the_polling_table_and_more_than_all_is_called_impossible() -> None:
    measured = proof(well)

    def table(every: float) -> PollingTable:
        return polling_table(
            [PolledUnit(Place(1, SETTINGS), (Wanted("a", Block(3, 0, 1), every),), LATENCY)]
        )

    assert advised(measured, "bus load", table(1.0)).value == pytest.approx(
        100 * exchange_time(SETTINGS, 8, 7, LATENCY), abs=0.05
    )
    assert "cannot be done" in advised(measured, "bus load", table(0.01)).reason
    assert advised(measured, "bus load").value == pytest.approx(100 * measured.wire_share, abs=0.05)


def test_where_nothing_answered_there_is_no_advice() -> None:
    assert advise(proof(lambda number, request: [], rounds=2)) == ()


def test_a_dead_unit_does_not_spoil_the_advice_for_the_others() -> None:
    measured = proof(lambda number, request: [] if request[0] == 2 else None, rounds=20)
    assert advised(measured, "pause between frames").value == 5
    assert advised(measured, "retries").value == 1


def test_every_number_has_its_reason() -> None:
    items = advise(proof(silent(4)))
    assert len(items) == 6
    assert all(len(item.reason) > 40 for item in items)

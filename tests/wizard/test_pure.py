"""The parts of the wizard that need no screen."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import RefusedError, UsageError
from busprobe.job.journal import Result, Row
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress.journal import latest_move
from busprobe.readdress.move_list import Goal, ListedBus, Practice
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.wizard.app import BusprobeApp
from busprobe.wizard.common.batch import batches
from busprobe.wizard.common.form import values
from busprobe.wizard.common.large_word import HEIGHT, drawn
from busprobe.wizard.common.line_lock import LineLock
from busprobe.wizard.common.pending_answer import PendingAnswer
from busprobe.wizard.common.signs import Sign
from busprobe.wizard.common.step import Around
from busprobe.wizard.prove.plots import scale_top
from busprobe.wizard.readdress.forms import PRACTICE
from busprobe.wizard.readdress.wanted import followed, goal_of, wanted_by
from busprobe.wizard.readdress.words import move_sign
from busprobe.wizard.survey.forms import read_search
from busprobe.wizard.survey.words import time_words
from tests.readdress.bench import recorded_write as write

AT_9600 = LineSettings.parse("9600-8N1")

# -- the gate
# ------------------------------------------------------------------------------------------------


def test_the_gate_names_what_has_the_line_and_what_was_refused() -> None:
    gate = LineLock()
    gate.claim("the survey")
    with pytest.raises(RefusedError, match="the survey is running") as refused:
        gate.claim("the move")
    assert "the move" in refused.value.means
    assert gate.holder == "the survey"


def test_the_gate_opens_again() -> None:
    gate = LineLock()
    gate.claim("the survey")
    gate.release()
    gate.claim("the move")
    assert gate.holder == "the move"


# -- decisions and batches
# -----------------------------------------------------------------------------------


def test_a_decision_reaches_the_thread_that_waits_for_it() -> None:
    decision: PendingAnswer[bool] = PendingAnswer()
    got: list[bool] = []
    worker = threading.Thread(target=lambda: got.append(decision.wait()))
    worker.start()
    decision.give(True)
    worker.join(5)
    assert got == [True]


def test_leaving_answers_everything_that_may_still_be_asked() -> None:
    decision: PendingAnswer[bool] = PendingAnswer()
    decision.leave(False)
    assert [decision.wait(), decision.wait(), decision.wait()] == [False, False, False]


@given(st.lists(st.integers()))
def test_batches_lose_nothing_and_keep_the_order(events: list[int]) -> None:
    assert [event for batch in batches(events) for event in batch] == events


def test_batches_keep_nothing_back_while_no_more_may_come() -> None:
    assert list(batches([1, 2, 3], at_once=lambda: True)) == [(1,), (2,), (3,)]


def test_a_batch_goes_out_before_the_last_event_where_events_are_slow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    moments = iter([0.0, 0.01, 0.06, 0.06, 0.07])
    monkeypatch.setattr("busprobe.wizard.common.batch.time.monotonic", lambda: next(moments))
    assert list(batches("abc")) == [("a", "b"), ("c",)]


# -- the survey form
# -----------------------------------------------------------------------------------------


def test_common_stands_for_all_32_settings() -> None:
    search = read_search("common", "1-247", "")
    assert len(search.settings) == 32
    assert len(search.addresses) == 247
    assert search.expect is None


def test_settings_are_tried_in_the_order_they_are_written() -> None:
    search = read_search("19200-8e1, 9600-8N1", "1,5", "3")
    assert [str(one) for one in search.settings] == ["19200-8E1", "9600-8N1"]
    assert search.expect == 3


@pytest.mark.parametrize(
    ("form", "named"),
    [
        (("fast", "1-247", ""), "'fast' is not a line setting"),
        (("common", "0", ""), "'0' is not a set of unit addresses"),
        (("common", "1-247", "-3"), "'-3' is not a number of units"),
        (("common", "1-247", "400"), "'400' is not a number of units"),
    ],
)
def test_a_form_that_cannot_be_read_says_which_part(form: tuple[str, str, str], named: str) -> None:
    with pytest.raises(UsageError, match=named):
        read_search(*form)


def test_fewer_addresses_take_less_time() -> None:
    few, all_ = (read_search("9600-8N1", addresses, "") for addresses in ("1-10", "1-247"))
    assert few.estimate.seconds < all_.estimate.seconds


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0:00"), (42.4, "0:42"), (61, "1:01"), (3800, "1:03:20")]
)
def test_times_are_written_as_people_say_them(seconds: float, words: str) -> None:
    assert time_words(seconds) == words


# -- moves and proposals
# -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (Result.WAITING, "cycle it"),
        (Result.NOT_VERIFIED, "not sure"),
        (Result.REFUSED, "refused"),
        (None, "not known"),
    ],
)
def test_a_move_that_is_not_verified_stays_with_the_unit_at_the_old_address(
    outcome: Result | None, words: str
) -> None:
    unit, writes = UnitRecord(Place.parse("1 9600-8N1")), (write(1, 1, 12, outcome),)
    sign = move_sign(unit, latest_move(unit, writes))
    assert sign is not None
    assert sign.word == words


def test_verified_and_kept_over_a_power_cycle_are_two_things() -> None:
    moved = UnitRecord(Place.parse("12 9600-8N1"))
    assert move_sign(moved, write(1, 1, 12, Result.VERIFIED)) is Sign.VERIFIED
    assert (
        move_sign(
            UnitRecord(Place.parse("12 9600-8N1"), power_cycle_verified=True),
            write(1, 1, 12, Result.VERIFIED),
        )
        is Sign.KEPT
    )


def moved(old: int, new: int) -> Outcome:
    return Outcome(
        Move(Place(old, AT_9600), Place(new, AT_9600), Procedure(0x101)), Row.CHANGED, "", ""
    )


def test_a_wish_is_fulfilled_by_its_move_or_goes_along_to_where_the_unit_waits() -> None:
    one, twelve, parked = (Place(address, AT_9600) for address in (1, 12, 246))
    aside = followed({one: 12, twelve: 1}, moved(1, 246))
    assert aside == {parked: 12, twelve: 1}
    assert followed(followed(aside, moved(12, 1)), moved(246, 12)) == {}


def test_wishes_and_the_goal_of_a_bus_are_the_same_but_for_units_that_stay() -> None:
    bus = ListedBus(
        (
            UnitRecord(Place.parse("1 9600-8N1")),
            UnitRecord(Place.parse("1 19200-8E1")),
            UnitRecord(Place.parse("5 9600-8N1")),
        ),
        {},
    )
    wanted = {
        Place.parse("1 9600-8N1"): 10,
        Place.parse("1 19200-8E1"): 11,
        Place.parse("7 9600-8N1"): 3,
    }
    goal = goal_of(bus, wanted)
    assert sorted(goal.addresses.values()) == [10, 11]
    assert wanted_by(Goal({**goal.addresses, bus.units[-1]: 5})) == {
        Place.parse("1 9600-8N1"): 10,
        Place.parse("1 19200-8E1"): 11,
    }


def test_the_form_of_good_practice_takes_words_and_their_beginnings() -> None:
    given = {
        "first": "20",
        "spares": "1",
        "only_needed": "a",
        "along_cable": "Address",
        "factory_free": "n",
    }
    assert Practice(**values(PRACTICE, given)) == Practice(
        20, 1, along_cable=False, factory_free=False, only_needed=False
    )
    assert Practice(
        **values(PRACTICE, {field.name: field.value for field in PRACTICE})
    ) == Practice(only_needed=True)
    for name, wrong in (
        ("first", "0"),
        ("spares", "-1"),
        ("only_needed", "some"),
        ("along_cable", ""),
    ):
        with pytest.raises(UsageError):
            values(PRACTICE, {**given, name: wrong})


# -- drawing
# -------------------------------------------------------------------------------------------------


@given(st.floats(min_value=0.001, max_value=1e6))
def test_the_scale_of_a_plot_holds_the_largest_time_and_is_no_more_than_two_and_a_half_times_it(
    largest: float,
) -> None:
    top = scale_top(largest)
    assert largest <= top * (1 + 1e-9)
    assert top <= 2.5 * largest * (1 + 1e-9)


@pytest.mark.parametrize(
    "word",
    [
        *[
            "HERE",
            "GONE",
            "NONE",
            "LOST",
            "TWO",
            "ONE",
            "CONNECT",
            "DONE",
            "NO",
            "UNDONE",
            "END",
            "??",
        ],
        "OFF ON",
    ],
)
def test_every_large_word_is_drawn_with_all_its_letters(word: str) -> None:
    """A letter without a drawing would be left out: NO must never be read for NONE."""
    assert len(drawn(word)) == HEIGHT
    assert all(drawn(letter)[0] for letter in word)
    assert all("█" in "".join(drawn(letter)) for letter in word if letter != " ")


def test_the_app_is_what_its_steps_need_around_them() -> None:
    """The types hold the two against each other; the names are there at run time."""
    needed: type[Around] = BusprobeApp
    names = [name for name in vars(Around) if not name.startswith("_")]
    assert names == ["step", "go_to", "explain", "claim_line"]
    assert all(
        callable(getattr(needed, name)) or isinstance(vars(needed)[name], property)
        for name in names
    )

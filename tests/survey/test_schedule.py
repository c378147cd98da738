from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.survey.probes import BITS, LADDER, RARE, Probe
from busprobe.survey.schedule import (
    BLOCK,
    THOROUGH_UP_TO,
    Schedule,
    Sweep,
    common_settings,
)
from busprobe.survey.waits import Pace

EVERYTHING = common_settings()
some_settings = st.lists(st.sampled_from(EVERYTHING), min_size=1, max_size=6, unique=True)
some_addresses = st.sets(st.integers(1, 247), min_size=1, max_size=40)

Asked = tuple[LineSettings, Probe, int]


def all_asked(schedule: Schedule) -> Counter[Asked]:
    return Counter(
        (s.settings, s.probe, a) for s in schedule.sweeps if not s.preliminary for a in s.addresses
    )


def test_the_default_search_is_all_common_settings_with_the_likely_ones_first() -> None:
    assert set(EVERYTHING) == {
        LineSettings.parse(f"{b}-{f}") for b in COMMON_BAUDS for f in COMMON_FORMATS
    }
    assert [str(s) for s in EVERYTHING[:4]] == ["9600-8N1", "19200-8E1", "9600-8E1", "19200-8N1"]
    odd = LineSettings.parse("14400-8N1")
    assert common_settings([odd])[4] == odd


@settings(max_examples=40)
@given(some_settings, some_addresses)
def test_every_address_is_asked_by_each_probe_of_the_plan_exactly_once(
    searched: list[LineSettings], addresses: set[int]
) -> None:
    asked = all_asked(Schedule.plan(searched, addresses))
    probes = (*LADDER, *BITS) if len(searched) <= THOROUGH_UP_TO else LADDER[:2]
    assert asked == Counter((s, p, a) for s in searched for p in probes for a in addresses)


@settings(max_examples=40)
@given(some_settings, some_addresses, st.data())
def test_moving_settings_about_forgets_and_adds_nothing(
    searched: list[LineSettings], addresses: set[int], data: st.DataObject
) -> None:
    schedule = Schedule.plan(searched, addresses)
    chosen = data.draw(st.sampled_from(searched))
    assert all_asked(schedule.promoted(chosen)) == all_asked(schedule)
    assert all_asked(schedule.demoted(chosen)) == all_asked(schedule)
    first = schedule.promoted(chosen).head
    assert first is not None
    assert first.settings == chosen
    assert schedule.demoted(chosen).sweeps[-1].settings == chosen


@settings(max_examples=40)
@given(some_settings, some_addresses, st.data())
def test_deepening_asks_the_rare_probes_once_however_often_somebody_is_found(
    searched: list[LineSettings], addresses: set[int], data: st.DataObject
) -> None:
    schedule = Schedule.plan(searched, addresses)
    for _ in range(data.draw(st.integers(0, 30))):
        if schedule.head is not None:
            schedule = schedule.advanced()
    chosen = data.draw(st.sampled_from(searched))
    before = all_asked(schedule)
    deeper = schedule.deepened(chosen).deepened(chosen)
    added = all_asked(deeper) - before
    more = () if len(searched) <= THOROUGH_UP_TO else (*RARE, *BITS)
    assert added == Counter((chosen, p, a) for p in more for a in addresses)


@settings(max_examples=40)
@given(some_settings, some_addresses)
def test_a_schedule_runs_down_one_probe_at_a_time(
    searched: list[LineSettings], addresses: set[int]
) -> None:
    schedule = Schedule.plan(searched, addresses, quick_look=False)
    left = schedule.probes_left
    seconds = schedule.seconds_left(Pace())
    while schedule.head is not None:
        assert len(schedule.head.addresses) <= BLOCK
        schedule = schedule.advanced()
        left -= 1
        assert schedule.probes_left == left
        assert schedule.seconds_left(Pace()) < seconds
        seconds = schedule.seconds_left(Pace())
    assert (left, seconds) == (0, 0)


def test_likely_addresses_are_asked_at_all_settings_before_the_others_at_any() -> None:
    """The likeliest few before the others; factory addresses of stored profiles before those of
    common practice."""
    schedule = Schedule.plan(EVERYTHING[:5], range(1, 248), likely=[99])
    likeliest, others = schedule.sweeps[:5], schedule.sweeps[5:10]
    assert all(s.preliminary and s.addresses == (99, 1, 247) for s in likeliest)
    assert all(s.preliminary and s.addresses[:3] == (2, 3, 4) for s in others)
    assert {s.settings for s in likeliest} == {s.settings for s in others} == set(EVERYTHING[:5])
    assert not any(s.preliminary for s in schedule.sweeps[10:])


def test_where_somebody_was_found_everybody_is_asked_the_likeliest_probe_before_anything_else() -> (
    None
):
    """Then the likely addresses elsewhere, then the next probe here, then the rest."""
    here = EVERYTHING[2]
    schedule = Schedule.plan(EVERYTHING[:5], range(1, 70)).advanced().promoted(here)
    order = [(s.settings == here, s.probe, s.preliminary) for s in schedule.sweeps]
    blocks = 3
    likeliest, next_likely = [(True, probe, False) for probe in LADDER[:2]]
    assert order[:blocks] == [likeliest] * blocks
    elsewhere = order[blocks : blocks + 8]
    assert all(preliminary and not mine for mine, _, preliminary in elsewhere)
    assert order[blocks + 8 : 2 * blocks + 8] == [next_likely] * blocks
    assert not any(mine or preliminary for mine, _, preliminary in order[2 * blocks + 8 :])


def test_who_was_found_is_looked_for_no_more_there_and_still_everywhere_else() -> None:
    schedule = Schedule.plan(EVERYTHING[:2], range(1, 10))
    gone = all_asked(schedule) - all_asked(schedule.found_at(EVERYTHING[0], 5))
    assert gone == Counter((EVERYTHING[0], probe, 5) for probe in (*LADDER, *BITS))


def test_further_probes_come_last_of_all_and_not_where_they_were_asked_already() -> None:
    """Of one register or two an address was asked for the one or the other."""
    far, near = Probe(LADDER[0].function, 0x2100, 1), Probe(LADDER[0].function, 0, 1)
    schedule = Schedule.plan(EVERYTHING[:2], range(1, 11), further=(far, near))
    assert [s.probe in (far, near) for s in schedule.sweeps[-4:]] == [True] * 4
    assert not any(s.probe in (far, near) for s in schedule.sweeps[:-4])
    assert {s.addresses for s in schedule.sweeps if s.probe == far} == {schedule.everywhere}
    odd_or_even = [s.addresses for s in schedule.sweeps if s.probe == near]
    assert [len(addresses) for addresses in odd_or_even] == [5, 5]
    assert all(LADDER[0].request(a).quantity == 2 for a in odd_or_even[0])


def test_rarer_probes_reach_an_address_within_half_a_second_so_that_a_woken_unit_hears_them() -> (
    None
):
    slow = LineSettings.parse("4800-8E1")
    schedule = Schedule.plan([slow], range(1, 248))
    rare = [s for s in schedule.sweeps if s.probe in RARE][: len(RARE)]
    assert len({s.addresses for s in rare}) == 1
    assert max(s.seconds(Pace()) for s in rare) < 0.5


def test_what_profiles_suggest_is_asked_at_their_own_settings_only() -> None:
    mute = Probe(LADDER[0].function, 0x0101)
    searched = EVERYTHING[:2]
    elsewhere = LineSettings.parse("1200-8O1")
    schedule = Schedule.plan(
        searched, range(1, 10), likely=[7], suggested=[(searched[0], mute, 7), (elsewhere, mute, 7)]
    )
    assert [(s.settings, s.addresses) for s in schedule.sweeps if s.probe == mute] == [
        (searched[0], (7,))
    ]


def test_lost_requests_are_made_up_for_by_rounds_of_the_likeliest_probe() -> None:
    schedule = Schedule.plan(EVERYTHING[:1], range(1, 4))
    assert schedule.repeated(EVERYTHING[0], len(LADDER)) is schedule
    more = schedule.repeated(EVERYTHING[0], len(LADDER) + 2).sweeps[len(schedule.sweeps) :]
    assert [(s.probe, s.round) for s in more] == [(LADDER[0], 2), (LADDER[0], 3)]


def test_rounds_follow_each_other_so_soon_that_a_unit_woken_by_one_is_awake_for_the_next() -> None:
    schedule = Schedule.plan(EVERYTHING[:1], range(1, 248))
    more = schedule.repeated(EVERYTHING[0], len(LADDER) + 2).sweeps[len(schedule.sweeps) :]
    assert [s.round for s in more] == [2, 3] * 8
    assert all(
        one.addresses == other.addresses for one, other in zip(more[::2], more[1::2], strict=True)
    )


def test_a_sweep_takes_its_requests_and_waits() -> None:
    """8 characters of 10 bits at 9600 baud take 8.33 ms (computed)."""
    sweep = Sweep(EVERYTHING[0], LADDER[0], (1, 2, 3))
    assert sweep.seconds(Pace(first=0.1)) == pytest.approx(3 * (0.00833 + 0.1), abs=1e-4)

"""From the as-built list to moves: which unit is meant by the plan, what stays, what has to be done
by hand."""

from __future__ import annotations

import pytest

from busprobe.errors import RefusedError, UsageError
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import EntryKind, UnitRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.claims import claims
from busprobe.readdress.move_list import Goal, ListedBus, ListedUnit, MoveList, Practice
from tests.readdress.bench import recorded_write as write

PROFILES = load_all([shipped_folder()]).profiles
AT, DX, CD, LK, HP = (
    "aldermoor-at-10",
    "dunmere-dx-8",
    "corran-cd-2",
    "garnmoor-lk-2",
    "hathermere-hp-4",
)


def unit(
    address: int, profile: str | None = AT, settings: str = "9600-8N1", **more: object
) -> UnitRecord:
    return UnitRecord(Place.parse(f"{address} {settings}"), profile=profile, **more)  # type: ignore[arg-type]


def bus(*units: UnitRecord) -> ListedBus:
    return ListedBus(units, PROFILES)


def moves(plan: MoveList) -> list[tuple[int, int]]:
    return [(move.source.address, move.target.address) for move in plan.moves]


def by_plan(here: ListedBus, *entries: PlannedUnit) -> MoveList:
    return here.addresses(here.from_plan(entries))


def test_a_unit_that_fits_by_its_type_alone_is_offered_the_address_and_not_given_it() -> None:
    """Two identical probes, and nothing that says which is which: a person has to."""
    here = bus(unit(1, DX), unit(2, AT), unit(3, AT))
    entries = (
        PlannedUnit("TE-1", 11, profile=AT),
        PlannedUnit("TE-2", 12, profile=AT),
        PlannedUnit("IO-1", 31, profile=DX),
    )
    goal = here.from_plan(entries)
    assert goal.addresses == {}
    offered = {seat.place.address: address for seat, address in goal.offered.items()}
    assert offered == {1: 31, 2: 11, 3: 12}
    plan = here.addresses(goal)
    assert (plan.moves, plan.complete) == ((), False)
    assert plan.remarks[1] == (
        "aldermoor-at-10 (9600-8N1) at 2 (0x02) is offered 11 (0x0B) by its type alone: accept that"
        " with Enter in step 5, or with --set 2=11."
    )
    chosen = here.from_plan(entries, here.chosen({2: 12}))
    assert {seat.place.address: new for seat, new in chosen.addresses.items()} == {2: 12}
    rest = {seat.place.address: address for seat, address in chosen.offered.items()}
    assert rest == {1: 31, 3: 11}, "what a person said is not offered to another"


def test_identical_units_are_told_apart_by_their_serial_numbers() -> None:
    here = bus(unit(2, identity={"serial": "A-2"}), unit(3, noted={"serial": "A-1"}))
    plan = by_plan(
        here,
        PlannedUnit("TE-1", 11, profile=AT, serial="A-1"),
        PlannedUnit("TE-2", 12, profile=AT, serial="A-2"),
    )
    assert sorted(moves(plan)) == [(2, 12), (3, 11)]
    assert plan.remarks == ()


def test_units_that_stand_in_each_others_place_go_round_through_a_free_address() -> None:
    """Serial number against address: each sits where the other should be."""
    here = bus(unit(11, DX, identity={"serial": "D"}), unit(31, AT, identity={"serial": "A"}))
    plan = by_plan(
        here,
        PlannedUnit("TE-1", 11, profile=AT, serial="A"),
        PlannedUnit("IO-1", 31, profile=DX, serial="D"),
    )
    assert len(plan.moves) == 3
    assert "to wait there" in plan.words[0]
    aside = plan.moves[0].target.address
    assert aside not in (1, 11, 31)


def test_a_tag_given_by_the_technician_says_which_entry_a_unit_is() -> None:
    here = bus(unit(11, tag="TE-2"), unit(12, tag="TE-1"))
    plan = by_plan(here, PlannedUnit("TE-1", 21, profile=AT), PlannedUnit("TE-2", 22, profile=AT))
    assert moves(plan) == [(11, 22), (12, 21)]


def test_a_unit_that_is_right_stays_and_takes_no_other_entry() -> None:
    here = bus(unit(12), unit(13))
    entries = (PlannedUnit("TE-1", 11, profile=AT), PlannedUnit("TE-2", 12, profile=AT))
    goal = here.from_plan(entries)
    assert [(seat.place.address, to) for seat, to in goal.addresses.items()] == [(12, 12)]
    assert [(seat.place.address, to) for seat, to in goal.offered.items()] == [(13, 11)]


def test_missing_and_unplanned_units_are_named() -> None:
    here = bus(unit(12, DX))
    plan = by_plan(here, PlannedUnit("TE-1", 11, profile=AT))
    assert plan.moves == ()
    assert plan.remarks == (
        "No unit was found for TE-1 at 11 (0x0B).",
        "dunmere-dx-8 (9600-8N1) at 12 (0x0C) is not planned.",
    )


def test_a_unit_that_no_write_can_move_is_left_to_the_hands() -> None:
    here = bus(unit(1, None, tag="X-1"), unit(2, AT, tag="TE-1"))
    plan = by_plan(here, PlannedUnit("X-1", 40), PlannedUnit("TE-1", 11, profile=AT))
    assert moves(plan) == [(2, 11)]
    assert plan.remarks[0].startswith("X-1 at 1 (0x01), 9600-8N1, should go to 40 (0x28).")


def test_an_address_shared_by_several_is_no_goal() -> None:
    here = bus(unit(1, None, kind=EntryKind.CLASH), unit(2, AT))
    with pytest.raises(RefusedError, match=r"not a single unit's \(clash\)"):
        here.addresses(here.changed(here.from_plan(()), {2: 1}))


def test_counting_up_follows_the_cable_and_keeps_factory_addresses_free() -> None:
    here = bus(unit(40, position=3), unit(50, DX, position=1), unit(60, position=2), unit(5, None))
    plan = here.addresses(here.counted_up(Practice(first=4)))
    assert sorted(moves(plan)) == [
        (40, 7),
        (50, 4),
        (60, 6),
    ]  # 5 stays with the unit that no write can move
    assert here.counted_up(Practice(first=1)).addresses[here.units[0]] == 2


def test_only_units_that_cannot_stay_are_proposed_another_address_if_that_is_wanted() -> None:
    """At a factory address, at a shared one; of whatever type, since one of them can be set by
    hand."""
    here = bus(
        unit(1, None),
        unit(10),
        unit(20),
        unit(20, settings="19200-8E1"),
        unit(9, None, kind=EntryKind.CLASH),
    )
    goal = here.counted_up(Practice(first=9, only_needed=True))
    assert [(unit.place.address, new) for unit, new in goal.addresses.items()] == [
        (1, 11),
        (20, 12),
        (20, 13),
    ]
    assert (
        "at 1 (0x01), 9600-8N1, should go to 11 (0x0B).  Its type is not known"
        in here.addresses(goal).remarks[0]
    )


def test_each_rule_of_good_practice_can_be_changed() -> None:
    here = bus(unit(40, position=2), unit(50, position=1))
    changed = here.counted_up(Practice(first=1, spares=1, along_cable=False, factory_free=False))
    assert {unit.place.address: new for unit, new in changed.addresses.items()} == {40: 1, 50: 3}


def test_wishes_change_a_proposal() -> None:
    here = bus(unit(5), unit(6))
    plan = here.addresses(here.changed(here.counted_up(Practice(first=11)), {6: 20}))
    assert moves(plan) == [(5, 11), (6, 20)]
    with pytest.raises(UsageError, match=r"no single units at address 9 \(0x09\)"):
        here.changed(here.counted_up(Practice(first=11)), {9: 20})


def test_a_goal_given_twice_is_refused() -> None:
    here = bus(unit(5), unit(6))
    with pytest.raises(UsageError, match="gives unit address 6"):
        here.addresses(here.changed(here.from_plan(()), {5: 6}))


def test_units_at_one_address_and_different_settings_are_moved_apart() -> None:
    here = bus(unit(1), unit(1, CD, "19200-8E1"))
    plan = here.addresses(here.counted_up(Practice(first=11)))
    assert {(str(move.source.settings), move.target.address) for move in plan.moves} == {
        ("9600-8N1", 11),
        ("19200-8E1", 12),
    }


def test_the_range_of_a_type_is_looked_at_before_anything_is_done() -> None:
    here = bus(unit(5, HP))
    with pytest.raises(UsageError, match="Its profile allows 1-63"):
        here.addresses(here.changed(here.from_plan(()), {5: 64}))


def test_line_settings_go_one_unit_at_a_time_baud_rate_first() -> None:
    here = bus(unit(11, LK, "4800-8E1"), unit(12, LK), unit(13, HP, "19200-8N1"))
    plan = here.line_settings(LineSettings.parse("9600-8N1"))
    assert [
        (move.source.address, str(move.source.settings), str(move.target.settings))
        for move in plan.moves
    ] == [
        (11, "4800-8E1", "9600-8E1"),
        (11, "9600-8E1", "9600-8N1"),
        (13, "19200-8N1", "9600-8N1"),
    ]


def test_a_unit_that_could_only_go_half_the_way_is_left_as_it_is() -> None:
    """HP-4 has a code for the baud rate and none for the format; others go on without it."""
    here = bus(unit(11, LK), unit(13, HP), unit(14, None))
    plan = here.line_settings(LineSettings.parse("19200-8E1"))
    assert [move.source.address for move in plan.moves] == [11, 11]
    assert [remark.split(" at ")[0] for remark in plan.remarks] == [
        "hathermere-hp-4 (9600-8N1)",
        "unknown unit (9600-8N1)",
    ]


def test_a_baud_rate_without_a_code_is_told() -> None:
    plan = bus(unit(11, LK)).line_settings(LineSettings.parse("115200-8N1"))
    assert plan.moves == ()
    assert "has no code for 115200-8N1" in plan.remarks[0]


@pytest.mark.parametrize(
    "other", [unit(11, LK, "19200-8N1"), unit(12, None, kind=EntryKind.UNSURE)]
)
def test_line_settings_wait_until_every_unit_has_an_address_of_its_own(other: UnitRecord) -> None:
    with pytest.raises(RefusedError, match=r"share unit address|not a single unit's"):
        bus(unit(11, LK), other).line_settings(LineSettings.parse("9600-8N1"))


def test_a_seat_is_called_by_tag_type_and_settings() -> None:
    assert str(bus(unit(5, tag="TE-1")).units[0]) == "TE-1 aldermoor-at-10 (9600-8N1)"
    assert isinstance(bus(unit(5)).units[0], ListedUnit)


def test_a_claimed_address_is_neither_counted_nor_waited_at_nor_given_to_another() -> None:
    """The unit at 4 has 12 coming with its next power cycle, or may have."""
    held = claims((write(1, 4, 12, None),))
    here = ListedBus([unit(2, DX), unit(3, AT), unit(4, AT)], PROFILES, held)
    counted = here.addresses(here.counted_up(Practice(first=11)))
    assert 12 not in [new for _, new in moves(counted)]
    with pytest.raises(RefusedError, match=r"is to go to 12 \(0x0C\), which is not free"):
        here.addresses(here.changed(Goal({}), {2: 12}))
    assert moves(here.addresses(here.changed(Goal({}), {4: 12}))) == [(4, 12)]

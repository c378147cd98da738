"""Moves on the virtual segment: shipped profiles, real waveforms, hands at the terminals."""

from __future__ import annotations

from threading import Event

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.isolation import Occupancy, isolate, occupancy_of
from busprobe.readdress.move import execute, prepare, verify_again
from busprobe.readdress.procedure import Move, Procedure
from busprobe.survey.close_look import examine
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from busprobe.virtual.unit import Unit
from tests.readdress.bench import Book, checked, yes

PROFILES = load_all([shipped_folder()]).profiles
BY_MODEL = {profile.model.lower(): profile for profile in PROFILES.values()}


def segment_of(scenario: str | Scenario) -> tuple[Segment, Line]:
    loaded = load_scenario(scenario) if isinstance(scenario, str) else scenario
    segment = Segment(loaded, VirtualClock())
    return segment, Line(segment.port(), LineSettings.parse("9600-8N1"))


def alone(scenario: str, name: str) -> tuple[Segment, Line, Unit]:
    """The scenario with all but one unit taken off."""
    segment, line = segment_of(scenario)
    for unit in segment.units:
        segment.connect(unit.name, connected=unit.name == name)
    return segment, line, segment.unit(name)


def procedure_for(unit: Unit) -> Procedure:
    return Procedure.from_profile(BY_MODEL[unit.kind.model.lower()])


@pytest.mark.parametrize(
    ("name", "waits_for_power"),
    [
        ("te-101", False),
        ("em-101", False),
        ("vs-101", True),
        ("io-101", False),
        ("fm-101", False),
        ("cq-101", False),
    ],
)
def test_every_shipped_profile_moves_its_unit(name: str, waits_for_power: bool) -> None:
    segment, line, unit = alone("site", name)
    move = Move(Place(unit.address, unit.settings), Place(77, unit.settings), procedure_for(unit))
    prepared = prepare(line, move)
    assert not any(
        "not the unit address" in w or "could not be checked" in w for w in prepared.warnings
    )
    book = Book()
    outcome = execute(line, prepared, book, yes)
    if waits_for_power:
        assert (outcome.row, unit.address) == (Row.PENDING, move.source.address)
        segment.power_cycle(name)
        outcome = verify_again(line, outcome, journal=book)
    assert outcome.result is Result.VERIFIED
    assert unit.address == unit.stored_address == 77
    reply_from_new = unit.kind.readdress is not None and unit.kind.readdress.reply_from == "new"
    if not waits_for_power:
        assert outcome.row is Row.CHANGED
        assert outcome.reply is not None
        assert outcome.reply[0] == (77 if reply_from_new else move.source.address)


@pytest.mark.parametrize(
    ("scenario", "old", "new", "words"),
    [
        ("clash", 1, 77, "Two or more units answer at unit address 1"),
        ("clean", 11, 77, "No reply from"),
        ("second-master", 12, 77, "Another device is sending"),
        ("impostor", 1, 77, "77 (0x4D) at 9600-8N1 is not free"),
    ],
)
def test_unsafe_scenes_are_refused(scenario: str, old: int, new: int, words: str) -> None:
    segment, line = segment_of(scenario)
    if scenario == "clean":
        for unit in segment.units:
            segment.connect(unit.name, connected=False)
    with pytest.raises(RefusedError) as caught:
        prepare(
            line,
            Move(
                Place(old, line.settings), Place(new, line.settings), Procedure(100, profile="any")
            ),
        )
    assert words in caught.value.what


@pytest.mark.parametrize("scenario", ["echo", "slow", "clean"])
def test_a_move_works_with_others_on_the_pair(scenario: str) -> None:
    segment, line = segment_of(scenario)
    for unit in [u for u in segment.units if u.connected][:3]:
        old = unit.address
        outcome = execute(
            line,
            prepare(
                line, Move(Place(old, unit.settings), Place(77, unit.settings), procedure_for(unit))
            ),
            Book(),
            yes,
        )
        if outcome.result is Result.WAITING:
            segment.power_cycle(unit.name)
            outcome = checked(line, outcome)
        assert (outcome.result, unit.address) == (Result.VERIFIED, 77)
        assert (
            execute(line, prepare(line, outcome.move.reversed()), Book(), yes).result
            is not Result.NOT_VERIFIED
        )
        segment.power_cycle(unit.name)
        line.clock.sleep_until(line.clock.now() + 5)
        assert unit.address == old


def test_a_unit_that_dozes_off_between_requests_is_awake_for_the_write() -> None:
    scenario = load_scenario("site").model_copy(
        update={"units": (UnitEntry(name="te", type="at-10", address=1, sleeps_after=1.5),)}
    )
    segment, line = segment_of(scenario)
    unit = segment.unit("te")
    outcome = execute(
        line,
        prepare(line, Move(Place(1, unit.settings), Place(77, unit.settings), procedure_for(unit))),
        Book(),
        yes,
    )
    assert (outcome.row, unit.address) == (Row.CHANGED, 77)


@pytest.mark.parametrize("scenario", ["stray-bytes", "noise"])
def test_on_a_pair_that_damages_frames_nothing_false_is_said(scenario: str) -> None:
    loaded = load_scenario(scenario)
    told = set()
    for seed in range(12):
        segment, line = segment_of(loaded.model_copy(update={"seed": seed}))
        unit = next(u for u in segment.units if u.connected and u.kind.model == "AT-10")
        move = Move(
            Place(unit.address, unit.settings), Place(77, unit.settings), procedure_for(unit)
        )
        try:
            outcome = execute(line, prepare(line, move), Book(), yes)
        except RefusedError:
            continue
        told.add(outcome.row)
        if outcome.result is Result.VERIFIED:
            assert unit.address == 77
        elif outcome.row in (Row.UNHEARD, Row.PENDING, Row.UNIT_REFUSED):
            assert unit.address == move.source.address
    assert (
        told or scenario == "noise"
    )  # too noisy to write at all is a sound answer, but junk is not


# -- a clash taken apart
# -------------------------------------------------------------------------------------


def test_a_clash_is_watched_until_one_is_left_then_moved_then_the_other_checked() -> None:
    segment, line = segment_of("clash")
    seen_in_turn: list[Occupancy] = []
    for look in isolate(line, 1, Event()):
        seen_in_turn.append(look.occupancy)
        match len(seen_in_turn):
            case 2:
                segment.connect("io-101", connected=False)
                segment.connect("te-101", connected=False)
            case 3:
                segment.connect("te-101")
    assert seen_in_turn == [
        Occupancy.SEVERAL,
        Occupancy.SEVERAL,
        Occupancy.NONE,
        Occupancy.ONE,
        Occupancy.ONE,
    ]
    assert look.words == "At unit address 1 (0x01): one answers, cleanly.  Leave it as it is."
    unit = segment.unit("te-101")
    outcome = execute(
        line,
        prepare(line, Move(Place(1, line.settings), Place(77, line.settings), procedure_for(unit))),
        Book(),
        yes,
    )
    assert outcome.result is Result.VERIFIED
    segment.connect("io-101")
    assert [occupancy_of(examine(line, address)) for address in (1, 77)] == [
        Occupancy.ONE,
        Occupancy.ONE,
    ]


def test_the_watch_ends_when_cancelled() -> None:
    _, line = segment_of("clash")
    cancel = Event()
    for count, _ in enumerate(isolate(line, 1, cancel), 1):
        if count == 3:
            cancel.set()
    assert count == 3

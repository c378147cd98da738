"""Moves on the virtual segment: shipped profiles, real waveforms, hands at the terminals."""

from __future__ import annotations

from collections.abc import Iterator
from threading import Event

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Result, Row, WriteIntent
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.isolation import Occupancy, isolate, occupancy_of
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.one_by_one import (
    Appeared,
    BoxEvent,
    BoxFinished,
    BoxRefused,
    Found,
    Known,
    Lost,
    Moved,
    OneByOne,
    PowerCycleNeeded,
    Taken,
    TakenBack,
    Target,
    Waiting,
    Watched,
    counting_up,
)
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
        ("clean", 11, 77, "Nobody answers"),
        ("second-master", 12, 77, "else is talking"),
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


@pytest.mark.parametrize("scenario", ["junk", "noise"])
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


# -- one by one
# ----------------------------------------------------------------------------------------------


def loop(
    line: Line,
    targets: Iterator[Target] | list[Target],
    model: str,
    cancel: Event,
    answers: Iterator[bool],
    undo: Event | None = None,
) -> tuple[OneByOne, Book]:
    book = Book()

    def identify(_line: Line, _address: int) -> Known:
        return Known(Procedure.from_profile(BY_MODEL[model]), f"{model.upper()} of the box")

    def confirm(_: Prepared) -> bool:
        return next(answers)

    one_by_one = OneByOne(
        line,
        line.settings,
        1,
        targets,
        identify=identify,
        journal=book,
        confirm=confirm,
        cancel=cancel,
        undo=undo,
    )
    return one_by_one, book


def always() -> Iterator[bool]:
    while True:
        yield True


def test_a_box_is_emptied_one_by_one() -> None:
    segment, line = segment_of("box")
    names = [unit.name for unit in segment.units]
    box = iter(names)
    targets = [Target(10 + n, tag=f"TE-{n}", location="Cabinet 1") for n in range(len(names))]
    one_by_one, book = loop(line, targets, "at-10", Event(), always())
    steps = []
    for step in one_by_one.run():
        steps.append(step)
        if isinstance(step, Waiting):
            segment.connect(next(box))  # the moved ones stay on the pair
    finished = steps[-1]
    assert isinstance(finished, BoxFinished)
    assert finished.unsettled is None
    assert [unit.address for unit in segment.units] == [10, 11, 12, 13, 14, 15]
    assert [moved.target.tag for moved in finished.done] == [target.tag for target in targets]
    assert (
        finished.done[2].label
        == "TE-2\nCabinet 1\nUnit address 12 (0x0C)\n9600-8N1\nAT-10 of the box"
    )
    assert finished.done[2].undo.source.address == 12
    assert finished.done[2].undo.target.address == 1
    assert len(book.writes) == len(names)


def test_two_at_once_stop_it_until_one_is_taken_off() -> None:
    segment, line = segment_of("box")
    one_by_one, book = loop(line, [Target(10)], "at-10", Event(), always())
    seen_in_turn = []
    for step in one_by_one.run():
        if isinstance(step, Waiting):
            segment.connect("te-61")
            segment.connect("te-62")
        if isinstance(step, Watched):
            seen_in_turn.append(step.look.occupancy)
            if len(seen_in_turn) == 3:
                assert book.writes == []
                segment.connect("te-61", connected=False)
    assert set(seen_in_turn[:3]) <= {Occupancy.SEVERAL, Occupancy.UNCLEAR}
    assert seen_in_turn[3:] == [Occupancy.ONE, Occupancy.ONE]
    assert segment.unit("te-62").address == 10
    assert segment.unit("te-61").address == 1


def test_a_no_waits_for_another_unit_and_offers_the_same_address() -> None:
    segment, line = segment_of("box")
    segment.connect("te-61")
    one_by_one, _ = loop(line, [Target(10)], "at-10", Event(), iter([False, True]))
    steps = []
    for step in one_by_one.run():
        steps.append(step)
        if isinstance(step, BoxRefused):
            segment.connect("te-61", connected=False)
        if isinstance(step, Waiting) and any(isinstance(s, BoxRefused) for s in steps):
            segment.connect("te-62")
    assert [
        type(s) for s in steps if isinstance(s, Appeared | BoxRefused | Moved | BoxFinished)
    ] == [
        Appeared,
        BoxRefused,
        Appeared,
        Moved,
        BoxFinished,
    ]
    assert segment.unit("te-61").address == 1
    assert segment.unit("te-62").address == 10


def test_taken_targets_and_the_factory_address_are_passed_over() -> None:
    segment, line, _ = alone("clash", "te-101")
    segment.connect("te-102")  # at 12
    one_by_one, _ = loop(line, [Target(1), Target(12), Target(13)], "at-10", Event(), always())
    steps = list(one_by_one.run())
    assert [s.target.address for s in steps if isinstance(s, Taken)] == [1, 12]
    assert segment.unit("te-101").address == 13


def test_a_unit_that_needs_a_power_cycle_is_waited_for() -> None:
    scenario = load_scenario("site").model_copy(
        update={
            "units": (
                UnitEntry(
                    name="vs", type="cd-2", address=1, settings=LineSettings.parse("9600-8N1")
                ),
            )
        }
    )
    segment, line = segment_of(scenario)
    one_by_one, book = loop(line, [Target(10)], "cd-2", Event(), always())
    steps: list[BoxEvent] = []
    for step in one_by_one.run():
        steps.append(step)
        if isinstance(step, PowerCycleNeeded):
            assert segment.unit("vs").address == 1
        if isinstance(step, Watched) and isinstance(steps[-2], PowerCycleNeeded):
            segment.power_cycle("vs")
    (moved,) = [s for s in steps if isinstance(s, Moved)]
    assert moved.outcome.row is Row.KEPT
    assert [text for text, _, _ in book.conclusions[1]] == ["waiting for power cycle", "verified"]


def test_the_last_unit_is_taken_back_and_its_address_is_offered_again() -> None:
    """Not while another unit is at the factory address."""
    segment, line = segment_of("box")
    undo, told = Event(), list[object]()
    one_by_one, book = loop(line, [Target(10), Target(11)], "at-10", Event(), always(), undo)
    for step in one_by_one.run():
        told.append(step)
        match step:
            case Waiting(Target(11)) if not any(isinstance(step, TakenBack) for step in told):
                segment.connect("te-62")  # before the undo begins
                undo.set()
            case TakenBack(_, outcome) if outcome.row is Row.GUARD:
                segment.connect("te-62", connected=False)
                undo.set()
            case TakenBack(_, outcome):
                assert (outcome.row, segment.unit("te-61").address) == (Row.CHANGED, 1)
                segment.connect("te-61", connected=False)
            case Waiting(Target(10)):
                segment.connect("te-61" if len(book.writes) == 0 else "te-63")
            case Moved(Target(10)) if len(book.writes) == 3:
                break
    assert [step.target.address for step in told if isinstance(step, TakenBack)] == [10, 10]
    assert segment.unit("te-63").address == 10


def test_the_loop_ends_when_cancelled() -> None:
    _, line = segment_of("box")
    cancel = Event()
    one_by_one, _ = loop(line, counting_up(1, keep_free=(1, 2)), "at-10", cancel, always())
    steps = []
    for step in one_by_one.run():
        steps.append(step)
        if len(steps) == 5:
            cancel.set()
    assert isinstance(steps[0], Waiting)
    assert steps[0].target == Target(3)
    assert steps[-1] == BoxFinished((), "Stopped by you.")


def pulled(segment: Segment, name: str, book: Book) -> None:
    """Somebody takes this unit off just as its write is noted."""
    original = book.intend_write

    def cut_off(intent: WriteIntent) -> int:
        segment.connect(name, connected=False)
        book.intend_write = original  # type: ignore[method-assign]
        return original(intent)

    book.intend_write = cut_off  # type: ignore[method-assign]


def test_a_unit_that_is_gone_after_its_write_is_waited_for_and_ends_the_loop_unsettled() -> None:
    segment, line = segment_of("box")
    segment.connect("te-61")
    cancel = Event()
    one_by_one, book = loop(line, [Target(10), Target(11)], "at-10", cancel, always())
    pulled(segment, "te-61", book)
    steps = []
    for step in one_by_one.run():
        steps.append(step)
        if isinstance(step, Watched) and any(isinstance(each, Lost) for each in steps):
            cancel.set()
    finished = steps[-1]
    assert isinstance(finished, BoxFinished)
    assert finished.unsettled is not None
    assert finished.unsettled.row is Row.NEITHER


@pytest.mark.parametrize("arrived", [True, False])
def test_a_unit_that_is_connected_again_is_settled_by_the_loop(*, arrived: bool) -> None:
    """At its new address it has moved, and the next one is asked for; at its old one it has not."""
    segment, line = segment_of("box")
    segment.connect("te-61")
    one_by_one, book = loop(line, [Target(10), Target(11)], "at-10", Event(), always())
    pulled(segment, "te-61", book)
    steps = []
    for step in one_by_one.run():
        steps.append(step)
        match step:
            case Lost():
                if arrived:
                    segment.unit("te-61").setup.in_use = Place(10, line.settings)
                segment.connect("te-61")
            case Waiting(Target(11)):
                segment.connect("te-62")
    (found,) = [step for step in steps if isinstance(step, Found)]
    moved = [step.target.address for step in steps if isinstance(step, Moved)]
    if arrived:
        assert (found.outcome.row, moved) == (Row.FOUND_CHANGED, [10, 11])
        assert segment.unit("te-62").address == 11
    else:
        assert (found.outcome.row, moved) == (Row.NOT_TAKEN, [])
        assert segment.unit("te-61").address == 1
    assert len(book.conclusions[1]) == 2

"""A box of identical units taken one by one, on the virtual segment, with hands at the
terminals."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from threading import Event

import pytest

from busprobe.job.journal import Row, WriteIntent
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress import guards
from busprobe.readdress.box_progress import Phase, Working
from busprobe.readdress.guards import Ways
from busprobe.readdress.isolation import Occupancy
from busprobe.readdress.move import Prepared
from busprobe.readdress.one_by_one import (
    FRESH,
    Appeared,
    BoxEvent,
    BoxFinished,
    BoxRefused,
    FoundAgain,
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
from busprobe.readdress.procedure import Procedure
from busprobe.survey.close_look import Examination
from busprobe.virtual.adapter import VirtualPort
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import UnitEntry
from busprobe.virtual.segment import Segment
from tests.readdress.bench import Book
from tests.readdress.test_on_segment import BY_MODEL, alone, segment_of


def loop(
    line: Line,
    targets: Iterator[Target] | list[Target],
    model: str,
    cancel: Event,
    answers: Iterator[bool],
    undo: Event | None = None,
    *,
    working: Callable[[Working | None], None] = lambda _: None,
    count: int | None = None,
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
        working=working,
        count=count,
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


def pulled_at_the_write() -> tuple[Segment, OneByOne, Book, Event]:
    """A box whose first unit is disconnected at the very moment of its write, just before or just
    after it has heard it."""
    segment, line = segment_of("box")
    segment.connect("te-61")
    cancel = Event()
    one_by_one, book = loop(line, [Target(10), Target(11)], "at-10", cancel, always())
    return segment, one_by_one, book, cancel


def test_a_unit_that_is_lost_and_not_found_stops_the_loop() -> None:
    segment, one_by_one, book, cancel = pulled_at_the_write()
    original = book.intend_write

    def cut_off(intent: WriteIntent) -> int:
        segment.connect("te-61", connected=False)  # it is pulled out just now
        return original(intent)

    book.intend_write = cut_off  # type: ignore[method-assign]
    for step in one_by_one.run():
        if isinstance(step, Lost):
            assert step.outcome.row is Row.NEITHER
            segment.connect("te-62")  # another one of the box tells nothing of it
        if isinstance(step, Watched) and step.look.occupancy is Occupancy.ONE and book.writes:
            cancel.set()
        finished = step
    assert isinstance(finished, BoxFinished)
    assert finished.unsettled is not None
    assert finished.unsettled.row is Row.NEITHER
    assert segment.unit("te-62").address == 1


def test_a_unit_that_comes_back_at_its_new_address_is_settled_and_the_box_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    segment, one_by_one, book, _ = pulled_at_the_write()
    send = VirtualPort.send

    def pulled(port: VirtualPort, data: bytes) -> float:
        sent = send(port, data)
        if data[1] == 6 and len(book.writes) == 1:
            port.clock.sleep_until(sent + 0.02)  # it has heard the write, its reply is lost
            segment.connect("te-61", connected=False)
        return sent

    monkeypatch.setattr(VirtualPort, "send", pulled)
    steps: list[BoxEvent] = []
    for step in one_by_one.run():
        steps.append(step)
        match step:
            case Lost():
                assert segment.unit("te-61").address == 10
                segment.connect("te-61")
            case Waiting(Target(11)):
                segment.connect("te-62")
    moved = [step for step in steps if isinstance(step, Moved)]
    assert [step.target.address for step in moved] == [10, 11]
    assert moved[0].outcome.row is Row.FOUND_CHANGED
    assert [step.target.address for step in steps if isinstance(step, FoundAgain)] == [10]
    assert [said[0] for said in book.conclusions[1]] == ["not verified", "verified"]
    assert [segment.unit(name).address for name in ("te-61", "te-62")] == [10, 11]


def test_the_new_place_is_asked_in_full_once_while_hands_are_at_work(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """And shortly again right before the write; what is done is told, with its seconds."""
    asked: list[tuple[str, int, float]] = []
    check = guards.check_target

    def noted(line: Line, place: Place, ways: Ways, *, reply_wait: float = 1.2) -> Examination:
        asked.append((phases[-1][1].phase.name, place.address, reply_wait))
        return check(line, place, ways, reply_wait=reply_wait)

    monkeypatch.setattr(guards, "check_target", noted)
    segment, line = segment_of("box")
    phases: list[tuple[float, Working]] = []

    def working(on: Working | None) -> None:
        if on is not None:
            phases.append((line.clock.now(), on))

    names = iter([unit.name for unit in segment.units])
    targets = [Target(10), Target(11), Target(12)]
    one_by_one, _ = loop(line, targets, "at-10", Event(), always(), working=working, count=3)
    ended: dict[int, float] = {}
    for step in one_by_one.run():
        if isinstance(step, Waiting):
            assert asked == [] or asked[-1][1] != step.target.address
            segment.connect(next(names))
        if isinstance(step, Moved):
            ended[step.target.address] = line.clock.now()
    assert asked == [
        (phase, address, wait)
        for address in (10, 11, 12)
        for phase, wait in (("FREE", 1.2), ("AGAIN", 0.3))
    ]
    assert [on.phase for _, on in phases] == 3 * [*Phase]
    assert [on.done for _, on in phases if on.address == 11] == len(Phase) * [1]
    # What is promised for a unit is what the one before took.
    third = [(at, on) for at, on in phases if on.address == 12]
    for (_, on), (over, _) in pairwise(third[1:]):
        assert on.until == pytest.approx(over, abs=0.6)
    assert third[-1][1].until == pytest.approx(ended[12], abs=0.6)
    assert third[0][1].seconds_left == pytest.approx(ended[11] / 2)


def test_a_place_that_was_found_free_long_ago_is_asked_again() -> None:
    """A unit that is connected there while no unit of the box is, however slow, is found before
    anything is written."""
    segment, line, _ = alone("clash", "te-101")
    segment.connect("te-101", connected=False)
    one_by_one, book = loop(line, [Target(12)], "at-10", Event(), always())
    steps: list[BoxEvent] = []
    for step in one_by_one.run():
        steps.append(step)
        if isinstance(step, Watched) and len(steps) == 5:
            segment.connect("te-102")  # at 12
    taken = [step.target.address for step in steps if isinstance(step, Taken)]
    assert (taken, book.writes) == ([12], [])
    waited = [step.look.at for step in steps if isinstance(step, Watched)]
    assert abs(waited[-1] - waited[0] - FRESH) < 5

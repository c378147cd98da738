"""Several moves in one go: order, confirmations, one power cycle for all, and what stops them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event
from typing import Any

import pytest

from busprobe.job.journal import Result, Row, WriteIntent
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.readdress.batch import Batch, BatchEvent, BatchFinished, Begun, Checked, Ended
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_order import order_moves
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure
from busprobe.virtual.loading import load_scenario, shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from tests.readdress.bench import Book, yes
from tests.readdress.segment import profile_of

AT_9600 = LineSettings.parse("9600-8N1")


@dataclass
class Bus:
    """Units on a segment, a book of writes, and hands that switch them off and on when asked."""

    segment: Segment
    book: Book = field(default_factory=Book)
    asked: list[tuple[int, ...]] = field(default_factory=list)
    """New addresses of the moves that each power cycle was asked for."""
    willing: bool = True

    def power_cycle(self, outcomes: tuple[Outcome, ...]) -> bool:
        self.asked.append(tuple(outcome.move.target.address for outcome in outcomes))
        if self.willing:
            self.segment.power_cycle()
        return self.willing

    def run(
        self,
        moves: list[Move],
        confirm: Callable[[Prepared], bool] = yes,
        stop: Event | None = None,
    ) -> list[BatchEvent]:
        line = Line(self.segment.port(), AT_9600)
        return list(
            Batch(
                line, moves, self.book, confirm=confirm, power_cycle=self.power_cycle, stop=stop
            ).run()
        )

    @property
    def addresses(self) -> dict[str, int]:
        return {unit.name: unit.address for unit in self.segment.units}


def bus(*units: dict[str, Any]) -> Bus:
    entries = tuple(UnitEntry.model_validate({"settings": AT_9600, **unit}) for unit in units)
    return Bus(
        Segment(Scenario(title="A bus", types=dict(shipped_types()), units=entries), VirtualClock())
    )


def moves_to(on: Bus, goal: dict[str, int]) -> list[Move]:
    kinds = {unit.name: profile_of(unit.kind.model.lower()) for unit in on.segment.units}
    planned = order_moves(on.addresses, goal)
    return [
        Move(Place(m.old, AT_9600), Place(m.new, AT_9600), Procedure.from_profile(kinds[m.unit]))
        for m in planned
    ]


def outcomes(steps: list[BatchEvent]) -> list[Row]:
    return [step.outcome.row for step in steps if isinstance(step, Ended)]


def checks(steps: list[BatchEvent]) -> list[Row]:
    return [step.outcome.row for step in steps if isinstance(step, Checked)]


def end(steps: list[BatchEvent]) -> BatchFinished:
    assert isinstance(steps[-1], BatchFinished)
    return steps[-1]


SWAP = ({"name": "a", "type": "at-10", "address": 11}, {"name": "b", "type": "dx-8", "address": 12})


def test_a_swap_is_made_with_one_yes_each_and_one_power_cycle() -> None:
    """The unit that stepped aside is proven by its last move; both old addresses have the other
    unit by then."""
    on = bus(*SWAP)
    confirmed: list[str] = []

    def confirm(prepared: Prepared) -> bool:
        confirmed.append(prepared.request.words)
        return True

    steps = on.run(moves_to(on, {"a": 12, "b": 11}), confirm)
    assert on.addresses == {"a": 12, "b": 11}
    assert len(confirmed) == len(set(confirmed)) == 3
    assert [type(step) for step in steps] == [Begun, Ended] * 3 + [Checked] * 2 + [BatchFinished]
    assert on.asked == [(11, 12)]
    assert checks(steps) == [Row.KEPT_WITH_ANOTHER, Row.KEPT]
    assert end(steps).why == "All moves are done."
    assert end(steps).unchecked == ()
    assert on.book.unfinished == []


def test_a_chain_is_checked_although_old_addresses_have_other_units_now() -> None:
    on = bus(*({"name": name, "type": "at-10", "address": n} for n, name in enumerate("abc", 11)))
    steps = on.run(moves_to(on, {"a": 12, "b": 13, "c": 14}))
    assert on.addresses == {"a": 12, "b": 13, "c": 14}
    assert checks(steps) == [Row.KEPT_WITH_ANOTHER, Row.KEPT_WITH_ANOTHER, Row.KEPT]


def test_a_unit_that_came_back_onto_another_is_not_called_kept() -> None:
    """It was not stored: after the power cycle two are where one should be, and neither is called
    proven."""
    on = bus(
        {"name": "a", "type": "at-10", "address": 1, "forgets": True},
        {"name": "b", "type": "dx-8", "address": 12},
    )
    steps = on.run(moves_to(on, {"a": 13, "b": 1}))
    assert on.addresses == {"a": 1, "b": 1}
    assert {step.outcome.result for step in steps if isinstance(step, Checked)} == {
        Result.NOT_VERIFIED
    }
    assert end(steps).why == "All moves are done, and not all are proven."


def test_moves_that_wait_for_a_power_cycle_share_one() -> None:
    on = bus(*({"name": name, "type": "cd-2", "address": n} for n, name in enumerate("ab", 11)))
    steps = on.run(moves_to(on, {"a": 21, "b": 22}))
    assert outcomes(steps) == [Row.PENDING, Row.PENDING]
    assert on.asked == [(21, 22)]
    assert checks(steps) == [Row.KEPT, Row.KEPT]
    assert on.addresses == {"a": 21, "b": 22}


def test_a_move_into_a_place_that_is_not_free_yet_has_the_power_cycled_first() -> None:
    on = bus(
        {"name": "a", "type": "cd-2", "address": 11}, {"name": "b", "type": "at-10", "address": 12}
    )
    steps = on.run(moves_to(on, {"a": 13, "b": 11}))
    assert on.asked == [(13,), (11,)]
    assert outcomes(steps) == [Row.PENDING, Row.CHANGED]
    assert on.addresses == {"a": 13, "b": 11}


def test_without_that_power_cycle_the_rest_is_left() -> None:
    on = bus(
        {"name": "a", "type": "cd-2", "address": 11}, {"name": "b", "type": "at-10", "address": 12}
    )
    on.willing = False
    steps = on.run(moves_to(on, {"a": 13, "b": 11}))
    assert [move.source.address for move in end(steps).left] == [12]
    assert [outcome.move.target.address for outcome in end(steps).unchecked] == [13]
    assert on.addresses == {"a": 11, "b": 12}


def test_a_declined_check_leaves_the_moves_done_and_unchecked() -> None:
    on = bus(*SWAP)
    on.willing = False
    steps = on.run(moves_to(on, {"a": 21, "b": 22}))
    assert outcomes(steps) == [Row.CHANGED, Row.CHANGED]
    assert checks(steps) == []
    assert len(end(steps).unchecked) == 2
    assert end(steps).why == "All moves are done, and not all are proven."


def test_a_no_stops_the_batch_and_checks_what_was_done() -> None:
    on = bus(*SWAP)
    steps = on.run(
        moves_to(on, {"a": 21, "b": 22}),
        confirm=lambda prepared: prepared.move.source.address == 11,
    )
    assert outcomes(steps) == [Row.CHANGED, Row.NOT_CONFIRMED]
    assert checks(steps) == [Row.KEPT]
    assert on.addresses == {"a": 21, "b": 12}


@pytest.mark.parametrize("answer", [True, False])
def test_a_stop_leaves_what_was_not_written_yet_and_asks_for_nothing_more(answer: bool) -> None:
    """Set while the second move is confirmed: with a yes it is stopped in its last look, with a no
    at once."""
    on, stop = bus(*SWAP), Event()

    def confirm(prepared: Prepared) -> bool:
        if prepared.move.source.address == 12:
            stop.set()
            return answer
        return True

    steps = on.run(moves_to(on, {"a": 21, "b": 22}), confirm, stop)
    assert outcomes(steps) == [Row.CHANGED]
    assert end(steps).why == "Stopped by you."
    assert [move.source.address for move in end(steps).left] == [12]
    assert [outcome.move.target.address for outcome in end(steps).unchecked] == [21]
    assert on.asked == []
    assert on.addresses == {"a": 21, "b": 12}


def test_a_stop_after_the_write_has_left_lets_its_outcome_be_told() -> None:
    on, stop = bus(*SWAP), Event()
    intend = on.book.intend_write

    def intend_write(intent: WriteIntent) -> int:
        stop.set()
        return intend(intent)

    on.book.intend_write = intend_write  # type: ignore[method-assign]
    steps = on.run(moves_to(on, {"a": 21, "b": 22}), stop=stop)
    assert outcomes(steps) == [Row.CHANGED]
    assert on.book.unfinished == []
    assert on.addresses == {"a": 21, "b": 12}


def test_a_unit_that_turned_up_in_the_way_is_not_moved_onto() -> None:
    on = bus(*SWAP, {"name": "new", "type": "dx-8", "address": 22})
    steps = on.run(
        [
            *moves_to(on, {"a": 21}),
            Move(
                Place(12, AT_9600), Place(22, AT_9600), Procedure.from_profile(profile_of("dx-8"))
            ),
        ]
    )
    assert outcomes(steps) == [Row.CHANGED, Row.GUARD]
    assert on.addresses == {"a": 21, "b": 12, "new": 22}


def test_what_does_not_build_on_a_refused_move_is_made_all_the_same() -> None:
    """The unit at 11 is gone: who was to take its place stays, and the third goes where it
    should."""
    on = bus(*SWAP, {"name": "c", "type": "dx-8", "address": 13})
    planned = moves_to(on, {"a": 21, "b": 11, "c": 22})
    on.segment.connect("a", connected=False)
    steps = on.run(planned)
    assert [
        (step.outcome.move.source.address, step.outcome.row)
        for step in steps
        if isinstance(step, Ended)
    ] == [
        (11, Row.GUARD),
        (13, Row.CHANGED),
    ]
    assert checks(steps) == [Row.KEPT]
    assert [move.source.address for move in end(steps).left] == [12]
    assert end(steps).why == "Not all moves could be made."
    assert on.addresses == {"a": 11, "b": 12, "c": 22}


def test_a_move_that_cannot_be_verified_stops_the_batch_at_once() -> None:
    on = bus(
        {"name": "a", "type": "lk-2", "address": 11}, {"name": "b", "type": "dx-8", "address": 12}
    )
    locked = Procedure.by_hand(0x0410)  # its profile would unlock it
    steps = on.run([Move(Place(11, AT_9600), Place(21, AT_9600), locked), *moves_to(on, {"b": 22})])
    assert outcomes(steps) == [Row.UNIT_REFUSED]
    assert on.asked == []
    assert [move.source.address for move in end(steps).left] == [12]


def test_line_settings_of_a_mixed_bus_are_harmonised_by_the_same_batch() -> None:
    """Baud rate first, then format, one unit after the other; a unit that waits for its power cycle
    gets it between."""
    segment = Segment(load_scenario("harmonise"), VirtualClock())
    on = Bus(segment)
    moves = []
    for unit in segment.units:
        place, profile = Place(unit.address, unit.settings), profile_of(unit.kind.model.lower())
        for text in (f"9600-{unit.settings.format}", "9600-8N1"):
            wanted = LineSettings.parse(text)
            if wanted != place.settings:
                moves.append(change_of_settings(profile, place, wanted))
                place = Place(place.address, wanted)
    assert len(moves) == 5
    steps = on.run(moves)
    assert {str(unit.settings) for unit in segment.units} == {"9600-8N1"}
    assert end(steps).why == "All moves are done."
    assert {outcome.result for outcome in end(steps).outcomes} == {Result.VERIFIED}

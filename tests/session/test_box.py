"""A box of units in a session: the register given once, the list kept, what is not of the box
refused, an earlier move settled."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event

import pytest

from busprobe.job.job import Job
from busprobe.job.journal import Result, Row, WriteIntent
from busprobe.line.clock import VirtualClock
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.one_by_one import (
    BoxEvent,
    BoxFinished,
    BoxRefused,
    FoundAgain,
    Lost,
    Moved,
    Waiting,
    Watched,
)
from busprobe.readdress.procedure import Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BoxOrder, BusMoves
from busprobe.session.session import Session
from busprobe.virtual.adapter import VirtualPort
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment
from tests.benchmarks import box
from tests.benchmarks.box import AT_9600, BUDGET, NAMELESS, PORT, REGISTER, UNITS

STORE = load_all([shipped_folder()])
BY_HAND = Procedure.by_hand(REGISTER, 6)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[Job]:
    with Job.create(tmp_path / "box.busjob") as opened:
        yield opened


class Box:
    """A session at a segment with units of these types, none of them connected yet."""

    def __init__(self, job: Job, *types: UnitType) -> None:
        names = {f"t{n}": kind for n, kind in enumerate(types)}
        units = tuple(
            UnitEntry.model_validate({"name": f"u{n}", "type": f"t{n}", "connected": False})
            for n in range(len(types))
        )
        self.connector = Connector()
        scenario = Scenario(title="A box", types=names, units=units)
        self.segment = Segment(scenario, VirtualClock())
        self.connector._segments[PORT] = self.segment
        self.session = Session(job, STORE, connector=self.connector)
        self.session.open(PORT, AT_9600)
        self.cancel = Event()
        self.names = [unit.name for unit in self.segment.units]
        self.asked = 0

    def run(
        self, order: BoxOrder, happens: Callable[[BoxEvent], None] | None = None
    ) -> list[BoxEvent]:
        """Empty the box; hands connect the next unit, and take one off that was refused."""
        told, left, present = [], iter(self.names), ""

        def confirm(_: object) -> bool:
            self.asked += 1
            return True

        for step in BusMoves(self.session).one_by_one(order, confirm=confirm, cancel=self.cancel):
            told.append(step)
            if isinstance(step, BoxRefused):
                self.segment.connect(present, connected=False)
            if isinstance(step, Waiting) and (present := next(left, "")):
                self.segment.connect(present)
            if happens is not None:
                happens(step)
        return told

    @property
    def addresses(self) -> list[int]:
        return [unit.address for unit in self.segment.units]


def test_a_box_of_24_waits_less_than_20_seconds_a_unit_and_asks_once_for_each(
    tmp_path: Path,
) -> None:
    """In simulated time the seconds are exact; `tests.benchmarks.box` says what each is for."""
    waited, addresses = box.emptied(UNITS, VirtualClock(), tmp_path)
    assert addresses == [*range(10, 10 + UNITS)]
    assert len(waited.units) == UNITS
    assert max(waited.units) < BUDGET
    assert sum(seconds for (phase, _), seconds in waited.spent.items() if phase == "free") == 0


def test_without_a_profile_the_register_is_given_once_and_the_list_follows(job: Job) -> None:
    here = Box(job, NAMELESS, NAMELESS, NAMELESS)
    told = here.run(BoxOrder(AT_9600, 1, 20, 3, BY_HAND))
    assert here.addresses == [20, 21, 22]
    assert [unit.address for unit in job.units()] == [20, 21, 22]
    assert here.asked == 3
    assert isinstance(told[-1], BoxFinished)
    assert told[-1].unsettled is None


def test_without_a_profile_or_a_register_nothing_is_written(job: Job) -> None:
    here = Box(job, NAMELESS)

    def then(step: BoxEvent) -> None:
        if isinstance(step, BoxRefused):
            here.cancel.set()

    told = here.run(BoxOrder(AT_9600, 1, 20), then)
    (refused,) = [step for step in told if isinstance(step, BoxRefused)]
    assert "is not recognised" in refused.why
    assert job.writes() == ()


def test_a_unit_that_is_not_like_the_first_of_the_box_is_refused(job: Job) -> None:
    """The register that was read off one data sheet may be an output in another device."""
    other = NAMELESS.model_copy(update={"functions": (3, 4, 6)})
    here = Box(job, NAMELESS, other, NAMELESS)
    told = here.run(BoxOrder(AT_9600, 1, 20, 2, BY_HAND))
    (refused,) = [step for step in told if isinstance(step, BoxRefused)]
    assert "is not like the first one of the box: function 4" in refused.why
    assert here.addresses == [20, 1, 21]


def test_units_in_any_mix_go_by_their_profiles(job: Job) -> None:
    """One with function 6 only, one with 16 only, one with unlock and save, one whose address is a
    byte of its register."""
    kinds = ("at-10", "bm-330", "lk-2", "hp-4", "ef-5")
    types = [
        shipped_types()[kind].model_copy(update={"settings": AT_9600, "address": 1})
        for kind in kinds
    ]
    here = Box(job, *types)

    def then(step: BoxEvent) -> None:
        if step.__class__.__name__ == "PowerCycleNeeded":
            here.segment.power_cycle()

    told = here.run(BoxOrder(AT_9600, 1, 30, len(kinds)), then)
    assert [step for step in told if isinstance(step, BoxRefused)] == []
    assert here.addresses == [30, 31, 32, 33, 34]
    assert [unit.address for unit in job.units()] == here.addresses


def test_a_move_whose_end_nobody_saw_is_settled_by_the_next_box(
    job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The unit took 20, was disconnected at once and the box was left; then it is connected again:
    the list has it, and 20 is not given a second time."""
    here = Box(job, NAMELESS, NAMELESS)
    send = VirtualPort.send

    def pulled(port: VirtualPort, data: bytes) -> float:
        sent = send(port, data)
        if data[1] == 6:
            port.clock.sleep_until(sent + 0.03)
            here.segment.connect("u0", connected=False)
        return sent

    def leave(step: BoxEvent) -> None:
        if isinstance(step, Lost):
            here.cancel.set()

    with monkeypatch.context() as patch:
        patch.setattr(VirtualPort, "send", pulled)
        *_, finished = here.run(BoxOrder(AT_9600, 1, 20, 2, BY_HAND), leave)
    assert isinstance(finished, BoxFinished)
    assert finished.unsettled is not None
    assert (finished.unsettled.row, here.addresses) == (Row.NEITHER, [20, 1])
    here.cancel.clear()
    here.segment.connect("u0")
    here.names = ["u1"]
    told = here.run(BoxOrder(AT_9600, 1, 20, 1, BY_HAND))
    (found,) = [step for step in told if isinstance(step, FoundAgain)]
    assert (found.outcome.result, found.outcome.row) == (Result.VERIFIED, Row.FOUND_CHANGED)
    assert [step.target.address for step in told if isinstance(step, Moved)] == [21]
    assert [unit.address for unit in job.units()] == here.addresses == [20, 21]


def test_nothing_is_begun_while_an_earlier_unit_is_not_found(job: Job) -> None:
    """It may be the one that answers at the factory address now, or come up at 20 later."""
    first = Box(job, NAMELESS)

    def leave(step: BoxEvent) -> None:
        if isinstance(step, Lost):
            first.cancel.set()

    original = job.intend_write

    def pulled(intent: WriteIntent) -> int:
        first.segment.connect("u0", connected=False)
        return original(intent)

    job.intend_write = pulled  # type: ignore[method-assign]
    first.run(BoxOrder(AT_9600, 1, 20, 1, BY_HAND), leave)
    job.intend_write = original  # type: ignore[method-assign]
    second = Box(job, NAMELESS)
    second.segment.connect("u0")  # another one than that which was lost

    def give_up(step: BoxEvent) -> None:
        if isinstance(step, Watched):
            second.cancel.set()

    *_, finished = second.run(BoxOrder(AT_9600, 1, 20, 1, BY_HAND), give_up)
    assert isinstance(finished, BoxFinished)
    assert finished.unsettled is not None
    assert finished.unsettled.row is Row.NEITHER
    assert (second.addresses, len(job.writes())) == ([1], 1)

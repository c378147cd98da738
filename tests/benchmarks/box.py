"""A box of 24 identical units without a profile, taken one by one: how long the technician waits
for each unit, and the reason for each second.

``python -m tests.benchmarks.box`` runs in simulated time, ``--real`` in real time (a quarter of an
hour).  The hands connect the next unit 15 s after the last one is done: assumed, for the label, the
terminals and the supply.  Waiting begins when the unit is connected and ends when its address is
verified; the technician answers the one question at once.

Budget: under 20 s of waiting a unit.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event
from unittest import mock

from busprobe.job.job import Job
from busprobe.line.clock import Clock, SystemClock, VirtualClock
from busprobe.line.exchange import Exchange, Heard, RequestFrame, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.box_progress import Working
from busprobe.readdress.move import Prepared
from busprobe.readdress.one_by_one import BoxFinished, Moved, Waiting
from busprobe.readdress.procedure import Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BoxOrder, BusMoves
from busprobe.session.session import Session
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment

UNITS = 24
HANDS = 15.0
"""Seconds from one unit done to the next one connected (assumed)."""
BUDGET = 20.0
"""Seconds of waiting a unit."""
REGISTER = 0x0040
AT_9600 = LineSettings.parse("9600-8N1")
PORT = "virtual:a box"

NAMELESS = UnitType.model_validate(
    {
        "maker": "nobody",
        "model": "knows",
        "settings": "9600-8N1",
        "functions": [3, 6],
        "latency": 0.02,
        "readdress": {"at": REGISTER, "functions": [6]},
        "holding": [{"name": "level", "at": 0, "type": "uint16", "value": 17}],
    }
)
"""A unit that says nothing of itself, and of which no profile knows anything."""

REASONS = {
    "listening": "is another device talking, or a second unit still answering?",
    "silence": "an address is only called free, or left, after several requests in vain",
    "replies": "requests and replies on the wire, and 0.12 s for a second reply",
    "pauses": "the unit stores what was written",
}


PHASES = {
    "free": "the new address in full; 0 where hands take longer than that",
    "watch": "the unit is seen, alone, in two looks",
    "identify": "what is it, and is it like the first of the box?",
    "guards": "is the bus quiet, does one unit answer, what does its register hold?",
    "again": "both addresses, right before the write",
    "write": "the write, then both addresses by all that the unit answers",
}
"""What a unit is waited for, in order."""


@dataclass
class Waited:
    """Seconds by phase and by what they were spent on."""

    clock: Clock
    phase: str = "watch"
    spent: dict[tuple[str, str], float] = field(default_factory=lambda: defaultdict(float))
    connected_at: float = 0.0
    """Clock seconds at which the present unit is connected."""
    units: list[float] = field(default_factory=list)
    """Seconds of waiting for each unit."""

    @contextmanager
    def measured(self) -> Iterator[None]:
        """Count what lines do meanwhile."""
        exchange, listen = Line.exchange, Line.listen

        def exchanged(line: Line, request: RequestFrame, waits: Waits) -> Exchange:
            begun = self.clock.now()
            done = exchange(line, request, waits)
            kind = "replies" if done.received else "silence"
            self._count(kind, begun)
            return done

        def listened(line: Line, seconds: float) -> Heard:
            begun = self.clock.now()
            heard = listen(line, seconds)
            self._count("listening", begun)
            return heard

        with (
            mock.patch.object(Line, "exchange", exchanged),
            mock.patch.object(Line, "listen", listened),
        ):
            yield

    def _count(self, kind: str, begun: float) -> None:
        """Add what passed since `begun` with the unit connected."""
        passed = self.clock.now() - max(begun, self.connected_at)
        self.spent[self.phase, kind] += max(0.0, passed)


def box_of(count: int, clock: Clock) -> tuple[Connector, Segment]:
    """A segment to which none of the units of the box is connected yet."""
    units = tuple(
        UnitEntry.model_validate({"name": f"u{n}", "type": "nameless", "connected": False})
        for n in range(count)
    )
    scenario = Scenario(title="A box", types={"nameless": NAMELESS}, units=units)
    connector = Connector(virtual_clock=clock)
    connector._segments[PORT] = segment = Segment(scenario, clock)
    return connector, segment


def emptied(count: int, clock: Clock, folder: Path) -> tuple[Waited, list[int]]:
    """Take a box one by one; what was waited for, and where the units are then."""
    connector, segment = box_of(count, clock)
    waited = Waited(clock)
    cancel = Event()
    hands = iter([unit.name for unit in segment.units])
    questions = 0

    def confirmed(_: Prepared) -> bool:
        nonlocal questions
        questions += 1
        return True

    def working(on: Working | None) -> None:
        waited.phase = "watch" if on is None else on.phase.name.lower()

    with Job.create(folder / "box.busjob") as job:
        session = Session(job, load_all([shipped_folder()]), connector=connector)
        session.open(PORT, AT_9600)
        order = BoxOrder(AT_9600, 1, 10, count, Procedure.by_hand(REGISTER, 6))
        with waited.measured():
            loop = BusMoves(session).one_by_one(
                order, confirm=confirmed, cancel=cancel, working=working
            )
            for step in loop:
                match step:
                    case Waiting():
                        waited.connected_at = clock.now() + HANDS
                        _connect_later(segment, next(hands), waited.connected_at)
                    case Moved():
                        waited.units.append(clock.now() - waited.connected_at)
                    case BoxFinished():
                        session.close()
    assert questions == count
    return waited, [unit.address for unit in segment.units]


def _connect_later(segment: Segment, name: str, moment: float) -> None:
    """The hands connect a unit at that moment, whatever the program does meanwhile."""
    segment._bus.schedule(moment, lambda _: segment.connect(name))


def main() -> None:
    """Print the table."""
    clock: Clock = SystemClock() if "--real" in sys.argv else VirtualClock()
    with TemporaryDirectory() as folder:
        waited, addresses = emptied(UNITS, clock, Path(folder))
    assert addresses == [*range(10, 10 + UNITS)]
    mean, most = sum(waited.units) / UNITS, max(waited.units)
    waited.spent["write", "pauses"] = UNITS * mean - sum(waited.spent.values())
    print(f"{UNITS} units, seconds a unit (mean) from when it is connected:")
    print(f"{'':16}" + "".join(f"{kind:>11}" for kind in REASONS))
    for phase, what in PHASES.items():
        row = [waited.spent[phase, kind] / UNITS for kind in REASONS]
        print(f"{phase:16}" + "".join(f"{s:11.2f}" for s in row) + f"   {what}")
    for kind, why in REASONS.items():
        print(f"{kind}: {why}")
    print(f"waiting a unit: {mean:.1f} s, at most {most:.1f} s; budget {BUDGET:.0f} s")
    print(f"of the budget: {mean / BUDGET:.2f}")


if __name__ == "__main__":
    main()

"""Moves killed at any touch of wire or disk: a random bus, random moves, one fault, the next start.

A kill is a `BaseException` raised at one touch: a frame about to leave or just on its way, bytes
that have come, a transaction about to begin, about to be kept, just kept. From then on every other
touch raises it again, so that nothing that a dead program could not do is done. What is left is the
job file and the segment; the next start gets both.

Addresses, procedures, moves and the fault are drawn from one seed, so that any case can be run
again by its numbers.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from random import Random
from sqlite3 import Connection

from busprobe.errors import FileError, RefusedError, UsageError
from busprobe.job.database import Database, file_error
from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.clock import Clock, VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.port import Chunk, Port
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import Store, load_all, shipped_folder
from busprobe.readdress.claims import check_claims, claims
from busprobe.readdress.procedure import Move, Procedure
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Adapter, Scenario, UnitEntry
from busprobe.virtual.segment import Segment

STORE: Store = load_all([shipped_folder()])
BY_MODEL = {(profile.maker, profile.model): profile for profile in STORE.profiles.values()}
PROFILES: Mapping[str, Profile] = {
    kind: profile
    for kind, whole in shipped_types().items()
    if (profile := BY_MODEL.get((whole.maker, whole.model))) is not None
    and profile.readdress is not None
}
"""Every unit type that can be moved, with its profile: one for each procedure there is."""

_WRITES = (6, 16)
_ENDLESS = 1 << 60
_CHANGES = ("after a write", "after it was kept")
_NEAR = 15
"""Touches around such a change where half of the runs are ended; most others only read."""
_LATE = 1.2
"""Seconds by which a late reply comes later: longer than the write waits for it."""
_RESTART = 1.0
"""Seconds that a program needs at least from its end to its next start."""


class Killed(BaseException):
    """The program was killed here."""


class End(StrEnum):
    """How a run ends before it is through."""

    KILL = "kill"
    """The program is killed there."""
    DISK_FULL = "disk full"
    """From there on nothing can be stored any more; the wire goes on working."""


class Touches:
    """Counts what touches wire or disk, and ends the run at one of them."""

    def __init__(self, end_at: int = _ENDLESS, end: End = End.KILL) -> None:
        self.count = 0
        self.where = ""
        """What was touched when the run was ended; empty if it was not."""
        self.changes: list[int] = []
        """Touches with which something changed: a write left, something was stored."""
        self._end_at = end_at
        self._end = end

    def __call__(self, what: str, *, storing: Path | None = None) -> None:
        """Touch; `storing` is the file that it is about, `None` on the wire.

        Raises `Killed` at the chosen touch and at every later one, or `FileError` where something
        is to be stored then.
        """
        self.count += 1
        if what in _CHANGES:
            self.changes.append(self.count)
        if self.count < self._end_at:
            return
        self.where = self.where or what
        if self._end is End.KILL:
            raise Killed(what)
        if storing is not None:
            raise file_error(storing, "the disk is full", "Make room on the disk and try again.")


class Fault(StrEnum):
    """What goes wrong on the wire, once."""

    NONE = "none"
    LOST_REQUEST = "lost request"
    LOST_REPLY = "lost reply"
    GARBLED_REPLY = "garbled reply"
    LATE_REPLY = "late reply"
    RESET = "unit reset"


@dataclass(frozen=True)
class Case:
    """A bus, what is done to it, and what goes wrong; all of it follows from the seed."""

    seed: int
    scenario: Scenario
    wishes: Mapping[int, int]
    """Address to wanted address."""
    settings: LineSettings | None
    """Line settings that all units are to get; then there are no wishes."""
    fault: Fault
    fault_at: int
    """Number of the write that it hits, from 0."""


def case(seed: int) -> Case:
    """The case of that seed."""
    random = Random(seed)  # noqa: S311 - the same case again is what is wanted
    kinds = [random.choice(sorted(PROFILES)) for _ in range(random.randint(2, 12))]
    units: list[UnitEntry] = []
    for number, kind in enumerate(kinds):
        allowed = PROFILES[kind].readdress.addresses  # type: ignore[union-attr]
        taken = {unit.address for unit in units}
        address = random.choice([a for a in allowed if a not in taken and a < 60])
        sleepy = random.random() < 0.1
        units.append(
            UnitEntry(
                name=f"u{number}",
                type=kind,
                serial=f"S{number}",
                address=address,
                latency=random.choice([None, None, 0.003, 0.15]),
                sleeps_after=3.0 if sleepy else None,
                forgets=random.random() < 0.03,
            )
        )
    adapter = Adapter(
        echo=random.random() < 0.2,
        lump=random.choice([0.0, 0.0, 0.016]),
        glitch=random.random() < 0.1,
    )
    scenario = Scenario(
        title=f"Kill case {seed}",
        seed=seed,
        types=dict(shipped_types()),
        units=tuple(units),
        adapter=adapter,
    )
    movers = random.sample(units, min(len(units), random.randint(1, 3)))
    wishes: dict[int, int] = {}
    if len(movers) > 1 and random.random() < 0.4:  # a swap, or a cycle of three
        for unit, other in zip(movers, [*movers[1:], movers[0]], strict=True):
            wishes[unit.address or 0] = other.address or 0
    else:
        for unit in movers:
            free = [
                a
                for a in PROFILES[unit.type].readdress.addresses  # type: ignore[union-attr]
                if a not in {u.address for u in units} and a not in wishes.values() and a < 60
            ]
            wishes[unit.address or 0] = random.choice(free)
    settings = LineSettings.parse("19200-8E1") if random.random() < 0.15 else None
    return Case(
        seed=seed,
        scenario=scenario,
        wishes={} if settings else wishes,
        settings=settings,
        fault=random.choice([Fault.NONE, *Fault]),
        fault_at=random.randrange(4),
    )


class TouchedPort:
    """A port of the segment: each frame and each chunk is a touch; one write meets the fault."""

    def __init__(self, port: Port, touch: Touches, faulty: Case | None, segment: Segment) -> None:
        self.name = port.name
        self.writes = 0
        """Writes that left."""
        self._port, self._touch, self._faulty, self._segment = port, touch, faulty, segment
        self._hit = False
        self._late = b""
        self._late_at = math.inf

    @property
    def clock(self) -> Clock:
        return self._port.clock

    def apply(self, settings: LineSettings) -> None:
        self._port.apply(settings)

    def send(self, data: bytes) -> float:
        self._touch("before a frame")
        writing = data[1] in _WRITES
        case = self._faulty
        self._hit = writing and case is not None and self.writes == case.fault_at
        if writing:
            self.writes += 1
        if self._hit and case is not None and case.fault is Fault.LOST_REQUEST:
            data = bytes(b ^ 0x55 for b in data)  # as long on the wire, and nobody's
        end = self._port.send(data)
        if self._hit and case is not None and case.fault is Fault.RESET:
            self._segment.power_cycle()
        self._touch("after a write" if writing else "after a frame")
        return end

    def receive(self, until: float) -> Chunk | None:
        chunk = self._port.receive(min(until, self._late_at))
        if chunk is None and self.clock.now() >= self._late_at:
            chunk = Chunk(self.clock.now(), self._late)
            self._late, self._late_at = b"", math.inf
        elif chunk is not None and self._hit and self._faulty is not None:
            if self._faulty.fault is Fault.LOST_REPLY:
                return self.receive(until)
            if self._faulty.fault is Fault.LATE_REPLY:
                self._late += chunk.data
                self._late_at = min(self._late_at, self.clock.now() + _LATE)
                return self.receive(until)
            if self._faulty.fault is Fault.GARBLED_REPLY:
                chunk = replace(chunk, data=bytes(b ^ 0x10 for b in chunk.data))
        if chunk is not None:
            self._touch("bytes came")
        return chunk

    def close(self) -> None:
        self._port.close()


class TouchedDatabase(Database):
    """The job file: each transaction touches the disk before it, at its end and after it."""

    touch = Touches()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        self.touch("before a transaction", storing=self.path)
        with super().writing() as connection:
            yield connection
            self.touch("before it is kept", storing=self.path)
        self.touch("after it was kept")


class OneSegment(Connector):
    """Opens the segment of a case."""

    def __init__(self, segment: Segment, touch: Touches, faulty: Case | None) -> None:
        super().__init__()
        self._segment, self._touch, self._faulty = segment, touch, faulty
        self.ports: list[TouchedPort] = []

    def open_line(self, name: str, settings: LineSettings) -> Line:
        port = TouchedPort(self._segment.port(), self._touch, self._faulty, self._segment)
        self.ports.append(port)
        return Line(port, settings)


class Start:
    """One start of the program on a job file and a segment."""

    def __init__(
        self, path: Path, segment: Segment, touch: Touches, faulty: Case | None = None
    ) -> None:
        self.touch = touch
        self.segment = segment
        database = TouchedDatabase.open(path)
        assert isinstance(database, TouchedDatabase)
        self.job = Job(database)
        self.connector = OneSegment(segment, touch, faulty)
        self.session = Session(self.job, STORE, connector=self.connector)
        self.session.open("virtual:kills", LineSettings())
        database.touch = touch
        self.moves = BusMoves(self.session)

    @property
    def writes(self) -> int:
        """Writes that left through this start's port."""
        return sum(port.writes for port in self.connector.ports)

    def power_cycle(self) -> None:
        """Switch all units off and on."""
        self.segment.power_cycle()

    def carry_out(self, case: Case) -> None:
        """What the case wants done; a refusal or a dead end is an end like any other."""

        def cycle(_: object) -> bool:
            self.power_cycle()
            return True

        try:
            planned = (
                self.moves.plan_line_settings(case.settings)
                if case.settings
                else self.moves.plan_addresses(wishes=case.wishes)
            )
        except (RefusedError, UsageError):
            return
        for _ in self.moves.carry_out(planned.moves, confirm=lambda _: True, power_cycle=cycle):
            pass

    def close(self) -> None:
        """Leave, as a program that is over does."""
        self.session.close()
        self.job.close()


def listed(path: Path, case: Case) -> None:
    """Make the job file of a case: every unit found and identified, where it is."""
    types = shipped_types()
    with Job.create(path) as job:
        for unit in case.scenario.units:
            profile = PROFILES[unit.type]
            place = Place(unit.address or 0, unit.settings or types[unit.type].settings)
            job.put_unit(
                UnitRecord(
                    place,
                    tag=unit.name,
                    profile=profile.id,
                    match=1.0,
                    identity={"serial": unit.serial},
                )
            )


def places(segment: Segment, which: str = "in_use") -> list[Place]:
    """Where each unit answers (`in_use`) or will after a power cycle (`stored`)."""
    return [getattr(unit.setup, which) for unit in segment.units]


def run(
    case: Case, template: Path, folder: Path, end_at: int = _ENDLESS, end: End = End.KILL
) -> Touches:
    """Run the case, end it at that touch, start again, and check; what was touched.

    Raises AssertionError with the seed and the touch where what is known afterwards is not true.
    """
    path = folder / "case.busjob"
    shutil.copy(template, path)
    segment = Segment(case.scenario, VirtualClock())
    touch = Touches(end_at, end)
    first = Start(path, segment, touch, case)
    with suppress(Killed, FileError):
        first.carry_out(case)
    first.close()
    told = f"seed {case.seed}, {end} at {end_at} ({touch.where})"
    _next_start(case, path, segment, first.writes, told)
    return touch


def ends(whole: Touches, number: int, random: Random) -> list[int]:
    """So many touches of a `whole` run at which to end it: half of them near a change."""
    near = {
        at
        for change in whole.changes
        for at in range(change - _NEAR, change + _NEAR)
        if 0 < at <= whole.count
    }
    drawn = random.sample(sorted(near), min(number // 2, len(near)))
    return drawn + random.sample(range(1, whole.count + 1), min(number - len(drawn), whole.count))


def _next_start(case: Case, path: Path, segment: Segment, sent: int, told: str) -> None:
    """What the next start knows, finishes and leaves."""
    segment.clock.sleep_until(segment.clock.now() + _RESTART)
    start = Start(path, segment, Touches())
    moves, job = start.moves, start.job
    assert sent <= len(job.writes()), f"{told}: a write left that was not on record"
    moves.recover()
    _check_places(case, segment, told)
    for unit in segment.units:
        if unit.setup.unlocked:
            assert moves.unfinished_steps(), f"{told}: {unit.name} is unlocked, and nothing says so"
    _check_claims(start, told)
    for left in moves.unfinished_steps():
        with suppress(RefusedError):  # the unit is not there any more: the list has to know that
            moves.finish(left, lambda _: True)
    start.power_cycle()
    _check_places(case, segment, told)
    for outcome in moves.unproven():
        moves.verify_again(outcome)
    assert not moves.unfinished(), f"{told}: something is unfinished still"
    _check_list(start, told)
    start.close()


def _check_places(case: Case, segment: Segment, told: str) -> None:
    """No two units share a place, now or after a power cycle."""
    if any(entry.forgets for entry in case.scenario.units):
        return  # back at the factory's address with its supply: nobody's write did that
    for which in ("in_use", "stored"):
        where = places(segment, which)
        assert len(set(where)) == len(where), f"{told}: two units share a place ({which}): {where}"


def _check_claims(start: Start, told: str) -> None:
    """A place that a unit will take with its next power cycle is refused to every other unit."""
    for unit in start.segment.units:
        stored = unit.setup.stored
        if stored == unit.setup.in_use or unit.setup.configured != stored:
            continue
        other = next(u for u in start.segment.units if u is not unit)
        by_hand = Procedure.by_hand(0)  # the wire is silent there: only the journal can say no
        try:
            check_claims(
                claims(start.job.writes()),
                Move(Place(other.address, stored.settings), stored, by_hand),
            )
        except RefusedError:
            continue
        raise AssertionError(f"{told}: {stored} is {unit.name}'s to come, and was called free")


def _check_list(start: Start, told: str) -> None:
    """Every unit is on the list, once, where it answers."""
    forgets = {entry.name for entry in start.segment.scenario.units if entry.forgets}
    where = {unit.tag: unit.place for unit in start.job.units()}
    true = {unit.name: unit.setup.in_use for unit in start.segment.units}
    wrong = {
        name: (str(where.get(name)), str(place))
        for name, place in true.items()
        if name not in forgets and where.get(name) != place
    }
    assert not wrong, f"{told}: list and bus differ: {wrong}"

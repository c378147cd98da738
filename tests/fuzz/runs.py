"""Whole runs against a port that lies in every way: about bytes, about times, and by failing."""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from random import Random

from busprobe.errors import BusprobeError, PortError
from busprobe.job.job import Job
from busprobe.job.records import EntryKind, UnitRecord
from busprobe.line.clock import Clock, VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.port import Chunk, Port
from busprobe.line.settings import LineSettings
from busprobe.session.connect import Connector
from busprobe.session.moves import BusMoves
from busprobe.session.session import Session
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from tests.fuzz.jobs import profiles

AT = LineSettings.parse("9600-8N1")
THERE = (11, 12)
"""Addresses of the units that are there; 13 is asked too, and nobody is."""
MOST_CALLS = 1_000_000
"""Calls of the port after which a run is taken for one that does not end; the longest takes a
tenth."""
MOST_SECONDS = 1800.0
"""Seconds of simulated time after which it is; the longest takes some minutes."""
MOST_BYTES = 100_000_000
"""Bytes that a port sends to one run: who reads them all for ever does not end."""


class Lie(StrEnum):
    """In what the port is not as a port is."""

    NONE = "none"
    ENDLESS = "sends without a pause"
    FAST = "sends more than a line can carry"
    MUTATED = "changes bytes"
    CUT = "loses bytes"
    DOUBLED = "gives bytes twice"
    HELD = "gives bytes late"
    STAMPED = "gives times that go back, or lie ahead"
    SENT = "says at the wrong time that all was sent"
    EMPTY = "gives nothing as if it were bytes"
    FLAGGED = "flags bytes that are not there"
    FAILS = "fails at some call"


class DoesNotEndError(AssertionError):
    """A run has gone on for longer than any that ends."""


class LyingPort:
    """A port of a segment, with one lie or several."""

    def __init__(self, port: Port, lies: frozenset[Lie], random: Random) -> None:
        self.name = port.name
        self.calls = 0
        self._port, self._lies, self._random = port, lies, random
        self._fails_at = random.choice((0, 1, 2, 5, 30, 300)) if Lie.FAILS in lies else math.inf
        self._bytes = 0
        self._begun = port.clock.now()
        self._earlier: list[Chunk] = []

    @property
    def clock(self) -> Clock:
        return self._port.clock

    def _call(self) -> None:
        self.calls += 1
        if (
            self.calls > MOST_CALLS
            or self._bytes > MOST_BYTES
            or self.clock.now() - self._begun > MOST_SECONDS
        ):
            raise DoesNotEndError(f"{self.calls} calls, {self.clock.now() - self._begun:.0f} s")
        if self.calls > self._fails_at and self._random.random() < 0.5:
            raise PortError("The adapter is gone.", todo="Plug it in.")

    def apply(self, settings: LineSettings) -> None:
        self._call()
        self._port.apply(settings)

    def send(self, data: bytes) -> float:
        self._call()
        sent = self._port.send(data)
        if Lie.SENT in self._lies:
            sent += self._random.choice((-100.0, -0.01, 0.0, 0.01, 5.0))
        return sent

    def receive(self, until: float) -> Chunk | None:
        self._call()
        chunk = self._told(until)
        if chunk is not None:
            self._bytes += len(chunk.data)
        return chunk

    def _told(self, until: float) -> Chunk | None:
        lies, random, now = self._lies, self._random, self.clock.now()
        if Lie.ENDLESS in lies:
            self.clock.sleep_until(now + 0.001)
            return Chunk(self.clock.now(), random.randbytes(1))
        if Lie.FAST in lies and random.random() < 0.5:
            return Chunk(now, random.randbytes(random.choice((1, 64, 4096))))
        if Lie.DOUBLED in lies and self._earlier and random.random() < 0.3:
            return Chunk(now, random.choice(self._earlier).data)
        chunk = self._port.receive(until)
        if chunk is None:
            return Chunk(now, b"") if Lie.EMPTY in lies and random.random() < 0.2 else None
        self._earlier = [*self._earlier[-9:], chunk]
        data, at, bad = bytearray(chunk.data), chunk.at, chunk.bad
        if Lie.MUTATED in lies and random.random() < 0.3:
            data[random.randrange(len(data))] ^= 1 << random.randrange(8)
        if Lie.CUT in lies and random.random() < 0.2:
            del data[random.randrange(len(data)) :]
        if Lie.HELD in lies and random.random() < 0.1:
            self.clock.sleep_until(self.clock.now() + random.choice((0.05, 0.5, 3.0)))
            at = self.clock.now()
        if Lie.STAMPED in lies and random.random() < 0.3:
            at += random.choice((-1e6, -3.0, -0.01, 0.01, 3.0))
        if Lie.FLAGGED in lies and random.random() < 0.3:
            bad = (random.randrange(-2, 2000),)
        if not data:
            return self._told(until) if Lie.EMPTY not in lies else Chunk(at, b"")
        return Chunk(at, bytes(data), bad)

    def close(self) -> None:
        self._port.close()


class _OneBus(Connector):
    def __init__(self, segment: Segment, lies: frozenset[Lie], random: Random) -> None:
        super().__init__()
        self._segment, self._lies, self._random = segment, lies, random
        self.ports: list[LyingPort] = []

    def open_line(self, name: str, settings: LineSettings) -> Line:
        self.ports.append(LyingPort(self._segment.port(), self._lies, self._random))
        return Line(self.ports[-1], settings)


def _survey(session: Session, random: Random) -> None:
    for _ in session.survey([AT], (11, 12, 13), resume=random.random() < 0.5):
        pass


def _identify(session: Session, random: Random) -> None:
    session.identify(Place(random.choice((11, 13)), AT))


def _prove(session: Session, random: Random) -> None:
    for _ in session.prove(rounds=random.choice((1, 5))):
        pass


def _move(session: Session, random: Random) -> None:
    moves = BusMoves(session)
    moves.recover()
    planned = moves.plan_addresses(wishes={11: random.choice((12, 40, 41))})
    for _ in moves.carry_out(planned.moves, confirm=lambda _: True, power_cycle=lambda _: False):
        pass


RUNS: tuple[Callable[[Session, Random], None], ...] = (_survey, _identify, _prove, _move)


def one(seed: int, folder: Path) -> str:
    """One run, in words; raises whatever is neither a typed error nor an end, and AssertionError
    where a unit is invented."""
    random = Random(seed)  # noqa: S311 - the same run again is what is wanted
    kinds = [lie for lie in Lie if lie is not Lie.NONE]
    lies = frozenset(random.sample(kinds, random.choice((1, 1, 1, 2, 3))))
    what = random.choice(RUNS)
    units = tuple(
        UnitEntry(name=f"u{address}", type="at-10", address=address, settings=AT)
        for address in THERE
    )
    scenario = Scenario(title="Lies", types=dict(shipped_types()), units=units, seed=seed)
    segment = Segment(scenario, VirtualClock())
    path = folder / f"{seed}.busjob"
    ended = "done"
    try:
        with Job.create(path) as job:
            for address in THERE if what is not _survey else ():
                job.put_unit(UnitRecord(Place(address, AT), profile="aldermoor-at-10"))
            connector = _OneBus(segment, lies, random)
            session = Session(job, profiles(), connector=connector)
            try:
                session.open("virtual:lies", AT)
                what(session, random)
            except BusprobeError as error:
                ended = type(error).__name__
            finally:
                session.close()
            true = {unit.address for unit in segment.units}
            for unit in job.units():
                assert unit.address in true | set(THERE) or unit.kind is not EntryKind.UNIT, (
                    f"unit {unit.address} is invented"
                )
            for write in job.writes():
                assert write.conclusions or ended != "done", "a write without an outcome"
            session.bus_list()
    finally:
        path.unlink(missing_ok=True)
    return f"{what.__name__.strip('_')} {ended}"

"""Units of the shipped types on the virtual segment, each with what its profile says, and a port
that can be cut."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, replace
from threading import RLock

from busprobe.line.clock import Clock, VirtualClock
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.profiles.schema import Profile
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.procedure import Move, Procedure
from busprobe.virtual.adapter import VirtualPort
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from busprobe.virtual.unit import Unit

PROFILES = load_all([shipped_folder()]).profiles
BY_MODEL = {(profile.maker, profile.model): profile for profile in PROFILES.values()}
OLD, NEW = 5, 42


def profile_of(kind: str) -> Profile:
    """The shipped profile of a unit type."""
    whole = shipped_types()[kind]
    return BY_MODEL[whole.maker, whole.model]


class CuttablePort:
    """The port of a virtual segment; something can be made to happen just before or after a frame
    leaves."""

    def __init__(self, port: VirtualPort) -> None:
        self.name = port.name
        self.sent: list[bytes] = []
        self.before: Callable[[int], None] = lambda _: None
        """Called with the frame's number, from 0, before it leaves."""
        self.after: Callable[[int], None] = lambda _: None
        """Called once it is on its way."""
        self.heard: Callable[[], None] = lambda: None
        """Called when bytes have come."""
        self._port = port

    @property
    def clock(self) -> Clock:
        return self._port.clock

    def apply(self, settings: LineSettings) -> None:
        self._port.apply(settings)

    def send(self, data: bytes) -> float:
        self.before(len(self.sent))
        self.sent.append(data)
        end = self._port.send(data)
        self.after(len(self.sent) - 1)
        return end

    def receive(self, until: float) -> Chunk | None:
        chunk = self._port.receive(until)
        if chunk is not None:
            self.heard()
        return chunk

    def close(self) -> None:
        self._port.close()

    @property
    def writes(self) -> list[bytes]:
        """All writes that left, in order."""
        return [frame for frame in self.sent if frame[1] in (6, 16)]


@dataclass
class Stage:
    """One unit on a segment with a line to it."""

    segment: Segment
    port: CuttablePort
    line: Line

    @property
    def unit(self) -> Unit:
        return self.segment.units[0]

    @property
    def place(self) -> Place:
        """Where the unit really answers."""
        return Place(self.unit.address, self.unit.settings)

    def copied(self) -> Stage:
        """The same once more, to see what would come of it at this moment; the lock is a new
        one."""
        locks = [part.lock for part in vars(self.segment).values() if hasattr(part, "lock")]
        memo: dict[int, object] = {id(lock): RLock() for lock in locks}
        memo |= {id(unit.kind): unit.kind for unit in self.segment.units}
        return deepcopy(self, memo)

    def reopened(self) -> Line:
        """A line of the next start of the program."""
        return Line(self.segment.port(), self.unit.settings)


def stage(kind: str, settings: LineSettings | None = None, **entry: object) -> Stage:
    """A unit of type `kind` alone at address `OLD`."""
    unit = UnitEntry.model_validate(
        {"name": "u", "type": kind, "address": OLD, "settings": settings, **entry}
    )
    scenario = Scenario(title="One unit", types=dict(shipped_types()), units=(unit,))
    segment = Segment(scenario, VirtualClock())
    port = CuttablePort(segment.port())
    return Stage(segment, port, Line(port, segment.units[0].settings))


def address_move(kind: str) -> Move:
    """The move of a unit of type `kind` as it comes from the factory from `OLD` to `NEW`."""
    return Move(
        Place(OLD, shipped_types()[kind].settings),
        Place(NEW, shipped_types()[kind].settings),
        Procedure.from_profile(profile_of(kind)),
    )


def settings_move(kind: str, to: str) -> Move:
    """The change of a unit of type `kind` from its factory settings to a baud rate or a format."""
    present = shipped_types()[kind].settings
    wanted = (
        replace(present, baud=int(to))
        if to.isdigit()
        else LineSettings.parse(f"{present.baud}-{to}")
    )
    return change_of_settings(profile_of(kind), Place(OLD, present), wanted)


MOVES: dict[str, tuple[str, Move]] = {
    **{f"{kind}, address": (kind, address_move(kind)) for kind in sorted(shipped_types())},
    **{
        f"{kind}, {to}": (kind, settings_move(kind, to))
        for kind, to in (
            ("lk-2", "19200"),
            ("lk-2", "8E1"),
            ("hp-4", "19200"),
            ("iv-6", "9600"),
            ("iv-6", "8N1"),
            ("jd-7", "19200"),
        )
    },
}
"""Every procedure of the shipped profiles: unit type and move."""

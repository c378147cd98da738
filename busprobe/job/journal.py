"""The journal of writes, typed: what each write was for, where it was to take a unit, and what
became of it.

Everything that is decided on is a field of its own; `words` and `why` are for people alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.line.place import Place
from busprobe.modbus.requests import RegisterWrite, Request


class Role(StrEnum):
    """What a write is for."""

    ADDRESS = "address"
    """Gives a unit its address."""
    ASIDE = "aside"
    """Gives it an address to wait at until its own is free."""
    SETTINGS = "line-settings"
    """Gives it a baud rate or a format."""
    UNDO = "undo"
    """Gives it back the address or line setting it had."""
    UNLOCK = "unlock"
    SAVE = "save"
    RELOCK = "relock"
    RESTORE = "restore"
    """Gives a register back what it held before a write that was meant for another."""

    @property
    def moves(self) -> bool:
        """Whether it is the one write that a move is about, and no step before or after it."""
        return self in (Role.ADDRESS, Role.ASIDE, Role.SETTINGS, Role.UNDO)


class Result(StrEnum):
    """What became of a write, by the words of the readdress document."""

    VERIFIED = "verified"
    WAITING = "waiting for power cycle"
    NOT_VERIFIED = "not verified"
    REFUSED = "refused"
    """By us: it was not sent."""
    ACKNOWLEDGED = "acknowledged"
    """A step before or after the move itself; what it did cannot be seen from outside."""
    NOT_ACKNOWLEDGED = "not acknowledged"


class Row(StrEnum):
    """A row of the outcome table, `busprobe.readdress.outcome`."""

    CHANGED = "changed"
    REPLY_LOST = "reply-lost"
    CHANGED_ALTHOUGH_REFUSED = "changed-although-refused"
    FOUND_CHANGED = "found-changed"
    PENDING = "pending"
    UNHEARD = "unheard"
    UNIT_REFUSED = "unit-refused"
    NOT_TAKEN = "not-taken"
    OTHER_REGISTER = "other-register"
    BOTH = "both"
    POWER_CYCLED = "power-cycled"
    """Of an unlock: somebody said that the unit was switched off and on since."""
    NOT_ALONE = "not-alone"
    NEITHER = "neither"
    UNCLEAR = "unclear"
    KEPT = "kept"
    KEPT_WITH_ANOTHER = "kept-with-another"
    NOT_ACCEPTED = "not-accepted"
    STILL_PENDING = "still-pending"
    NOT_KEPT = "not-kept"
    UNDECIDED = "undecided"
    STEP_FAILED = "step-failed"
    PORT_FAILED = "port-failed"
    FINISHED = "finished"
    NOT_FINISHED = "not-finished"
    NOT_CONFIRMED = "not-confirmed"
    GUARD = "guard"


@dataclass(frozen=True)
class ProcedureStep:
    """One frame of a procedure, sent or still to be sent."""

    role: Role
    place: Place
    """Where it is sent."""
    write: RegisterWrite
    lasts_s: float | None = None
    """Seconds after which the unit undoes it by itself; None where it does not, or nobody says."""

    @property
    def request(self) -> Request:
        """The frame with its words."""
        return self.write.request(self.place.address)


@dataclass(frozen=True)
class Conclusion:
    """What became of a write, as far as was known at that moment."""

    made: str
    outcome: Result
    row: Row | None
    """The row of the outcome table; `None` for a step before or after the move itself."""
    reply: bytes | None
    """Raw reply; `None` when none came."""
    why: str
    holds: int | None = None
    """What the register held then, as the unit said; `None` where it was not read."""


@dataclass(frozen=True, kw_only=True)
class WriteIntent:
    """A write that is about to be sent."""

    role: Role
    source: Place
    """Where the unit of its move is."""
    target: Place
    """Where the move is to take it."""
    write: RegisterWrite
    request: bytes
    """The frame."""
    words: str
    """What the request does, in plain words, as it was confirmed."""
    move: int | None = None
    """Id of the first write of the same move; `None` where this is the first."""
    planned: tuple[ProcedureStep, ...] = ()
    """All frames of the procedure in order, kept with its first write; empty with the others."""
    held: int | None = None
    """What the register held before, as the unit said; `None` where it was not read."""


@dataclass(frozen=True, kw_only=True)
class WriteRecord(WriteIntent):
    """One write: intended on disk before the bytes left, concluded as often as more became
    known."""

    id: int
    move: int
    """Id of the first write of the move that it belongs to."""
    intended: str
    """When it was about to be sent."""
    tester: str
    """Who was at the screen."""
    conclusions: tuple[Conclusion, ...] = ()

    @property
    def outcome(self) -> Result | None:
        """The last conclusion's outcome; `None` when nobody knows what became of it."""
        return self.conclusions[-1].outcome if self.conclusions else None

    @property
    def row(self) -> Row | None:
        """The last conclusion's row; `None` before the first, and where it is not of the move."""
        return self.conclusions[-1].row if self.conclusions else None

    @property
    def holds(self) -> int | None:
        """What the register held when it was last read after this write; `None` if never."""
        read = (said.holds for said in reversed(self.conclusions) if said.holds is not None)
        return next(read, None)

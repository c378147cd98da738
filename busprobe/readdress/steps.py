"""The frames of a procedure, in order, as they are shown before and sent after."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.errors import UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Request
from busprobe.profiles.changes import Effect
from busprobe.readdress.procedure import Move, RegisterWrite


class Role(StrEnum):
    """What a frame is for."""

    UNLOCK = "unlock"
    ADDRESS = "readdress"
    SETTINGS = "line settings"
    SAVE = "save"
    RELOCK = "relock"


MAIN = (Role.ADDRESS, Role.SETTINGS)
"""The roles of the one write that a move is about."""


_TO = " to "
"""Stands between a role and the new line settings in the journal."""


@dataclass(frozen=True)
class Step:
    """One frame of a procedure."""

    role: Role
    place: Place
    """Where it is sent."""
    write: RegisterWrite

    @property
    def request(self) -> Request:
        """The frame with its words."""
        return self.write.request(self.place.address)


def steps(move: Move, holds: int | None) -> tuple[Step, ...]:
    """The frames of `move`; `holds` is what the register holds now, needed where it is shared.

    What follows the write of the address goes to where the procedure says that the unit answers by
    then.  Raises `UsageError` if the procedure has no code for the line setting that is wanted.
    """
    how = move.procedure
    value = how.value(move.target)
    if value is None:
        raise UsageError(
            f"The profile {how.profile} has no code for {move.target.settings}.",
            todo="Choose a line setting that the unit knows.",
        )
    then = move.target if how.effect in (Effect.AT_ONCE, None) else move.source
    last = move.source if how.effect is Effect.AFTER_POWER_CYCLE else move.target
    main = RegisterWrite(how.register, (how.part.put(holds or 0, value),), how.function)
    listed = (
        (Role.UNLOCK, how.unlock, move.source),
        (Role.ADDRESS if move.new_settings is None else Role.SETTINGS, main, move.source),
        (Role.SAVE, how.save, then),
        (Role.RELOCK, how.relock, last),
    )
    return tuple(Step(role, place, write) for role, write, place in listed if write is not None)


def journal_kind(role: Role, move: Move) -> str:
    """What a frame is called in the journal: its role, with the new line settings where these
    change."""
    return str(role) if move.new_settings is None else f"{role}{_TO}{move.new_settings}"


def new_settings_of(kind: str) -> LineSettings | None:
    """The new line settings that a kind in the journal names, if it does; the reverse of
    `journal_kind`."""
    _, to, settings = kind.partition(_TO)
    return LineSettings.parse(settings) if to else None

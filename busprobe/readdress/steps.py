"""The frames of a procedure, in order, as they are shown before and sent after."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.modbus.requests import Request
from busprobe.profiles.schema import Effect
from busprobe.readdress.procedure import Move, RegisterWrite


class Role(StrEnum):
    """What a frame is for; also its kind in the journal."""

    UNLOCK = "unlock"
    ADDRESS = "readdress"
    SAVE = "save"
    RELOCK = "relock"


@dataclass(frozen=True)
class Step:
    """One frame of a procedure."""

    role: Role
    request: Request


def steps(move: Move, holds: int | None) -> tuple[Step, ...]:
    """The frames of `move`; `holds` is what the register holds now, needed where it is shared.

    What follows the write of the address goes to where the procedure says that the unit answers by then.
    """
    how = move.procedure
    then = move.new if how.effect in (Effect.AT_ONCE, None) else move.old
    last = move.old if how.effect is Effect.AFTER_POWER_CYCLE else move.new
    value = how.part.put(holds or 0, move.new)
    listed = (
        (Role.UNLOCK, how.unlock, move.old),
        (Role.ADDRESS, RegisterWrite(how.register, (value,), how.function), move.old),
        (Role.SAVE, how.save, then),
        (Role.RELOCK, how.relock, last),
    )
    return tuple(Step(role, write.request(address)) for role, write, address in listed if write is not None)

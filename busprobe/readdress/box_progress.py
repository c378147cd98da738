"""How far a box of units is: the phase that the present unit is in, the seconds that it takes, and
how long the rest of the box will."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from busprobe.line.clock import Clock


class Phase(IntEnum):
    """What is done for one unit, in this order; the confirmation lies before `AGAIN`."""

    FREE = 1
    """The new address is asked in full, while the unit is being connected."""
    IDENTIFY = 2
    """The unit that has appeared says what it is."""
    GUARDS = 3
    """Is the bus quiet, and does this unit answer alone?"""
    AGAIN = 4
    """Both addresses once more, right before the write."""
    WRITE = 5
    """The write, and both addresses after it."""


@dataclass(frozen=True)
class Working:
    """A phase has begun."""

    phase: Phase
    address: int
    """The new address that the unit gets."""
    until: float
    """Clock seconds at which it is over, if it takes as long as for the unit before."""
    done: int
    """Units that have their address."""
    count: int | None
    """Units in the box; None if nobody said."""
    seconds_left: float | None
    """Until the last unit has its address, at the pace so far; None before there is one."""


_FIRST = {
    Phase.FREE: 14.0,
    Phase.IDENTIFY: 1.0,
    Phase.GUARDS: 5.0,
    Phase.AGAIN: 5.0,
    Phase.WRITE: 6.0,
}
"""Seconds of each phase for the first unit: calculated from the waits of the guards for a unit that
answers quickly at 9600 baud."""


class BoxPace:
    """Learns from each unit how long the next one takes."""

    def __init__(self, clock: Clock, count: int | None) -> None:
        """For a box of `count` units, begun now."""
        self._clock = clock
        self._count = count
        self._begun = clock.now()
        self._took = dict(_FIRST)
        self._phase: tuple[Phase, float] | None = None

    def begin(self, phase: Phase, address: int, done: int) -> Working:
        """A phase begins, and the one before is over; `done` units have their address."""
        self.end()
        now = self._clock.now()
        self._phase = phase, now
        left = None
        if self._count is not None and done:
            left = (self._count - done) * (now - self._begun) / done
        return Working(phase, address, now + self._took[phase], done, self._count, left)

    def end(self) -> None:
        """The phase is over, and the next unit will take as long."""
        if self._phase is not None:
            phase, begun = self._phase
            self._took[phase] = self._clock.now() - begun
        self.drop()

    def drop(self) -> None:
        """The phase was cut short: nothing is learnt from it."""
        self._phase = None

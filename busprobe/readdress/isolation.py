"""Two units at one address: the address is watched while the technician takes units off the pair.

No write can tell them apart, so hands have to.  The watch says what it hears after each look and
ends by itself when one unit has answered cleanly often enough.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from threading import Event

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.guards import is_silent
from busprobe.survey.close_look import Examination, examine
from busprobe.survey.findings import Kind

WATCH_WAITS = Waits(reply=0.3, after=0.12)
"""Short enough to follow hands at the terminals; the guards of the move ask again with the long
wait."""

STEADY = 2
"""Looks in a row at one clean unit that end the watch: a screw may still be turning."""


class Crowd(StrEnum):
    """How many units an address seems to have."""

    SEVERAL = "two or more answer"
    ONE = "one answers, cleanly"
    UNCLEAR = "not clear"
    NOBODY = "nobody answers"


_ADVICE = {
    Crowd.SEVERAL: "Take one more of them off the pair.",
    Crowd.ONE: "Leave it as it is.",
    Crowd.UNCLEAR: (
        "Take one more unit off the pair, or check the connection of the one that is left."
    ),
    Crowd.NOBODY: "Put one of the units back on the pair.",
}


@dataclass(frozen=True)
class Sight:
    """What one look at an address showed."""

    address: int
    crowd: Crowd
    changed: bool
    """Whether it is another crowd than at the look before; true at the first."""
    at: float
    """Clock seconds at the end of the look."""
    examination: Examination

    @property
    def words(self) -> str:
        """What is there and what to do, in two sentences."""
        return f"At unit address {both_forms(self.address)}: {self.crowd}.  {_ADVICE[self.crowd]}"


def crowd_of(seen: Examination) -> Crowd:
    """How many units an examination speaks of."""
    if seen.clean:
        return Crowd.ONE
    if seen.kind is Kind.CLASH:
        return Crowd.SEVERAL
    return Crowd.NOBODY if is_silent(seen) else Crowd.UNCLEAR


def watch(line: Line, address: int, cancel: Event) -> Iterator[Sight]:
    """Look at `address` until cancelled, at the line's present settings; raises `PortError` if the
    port fails."""
    last = None
    while not cancel.is_set():
        seen = examine(line, address, waits=WATCH_WAITS, repeats=2)
        crowd = crowd_of(seen)
        yield Sight(address, crowd, crowd is not last, line.clock.now(), seen)
        last = crowd


def isolate(line: Line, address: int, cancel: Event) -> Iterator[Sight]:
    """Watch `address` until one unit alone has answered cleanly `STEADY` times in a row, or until
    cancelled.

    The last sight tells which: `Crowd.ONE` with `changed` false.
    """
    steady = 0
    for sight in watch(line, address, cancel):
        yield sight
        steady = steady + 1 if sight.crowd is Crowd.ONE else 0
        if steady == STEADY:
            return

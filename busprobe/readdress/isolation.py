"""Two units at one address: the address is watched while the technician takes units off the pair.

No write can tell them apart, so hands have to.  The watch says what it hears after each look and
ends by itself when one unit has answered cleanly often enough.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from threading import Event

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.replies import Reply, judge
from busprobe.readdress.guards import is_heard, is_silent
from busprobe.survey.close_look import Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.interference import foreign_frames
from busprobe.survey.probes import ladder

WATCH_WAITS = Waits(reply=0.3, after=0.12)
"""Short enough to follow hands at the terminals; the guards of the move ask again with the long
wait."""

STEADY = 2
"""Looks in a row at one clean unit that end the watch: a screw may still be turning."""


class Occupancy(Enum):
    """How many units an address seems to have."""

    SEVERAL = auto()
    ONE = auto()
    UNCLEAR = auto()
    NONE = auto()


_WORDS: Mapping[Occupancy, tuple[str, str]] = {
    Occupancy.SEVERAL: ("two or more answer", "Take one more of them off the pair."),
    Occupancy.ONE: ("one answers, cleanly", "Leave it as it is."),
    Occupancy.UNCLEAR: (
        "not clear",
        "Take one more unit off the pair, or check the connection of the one that is left.",
    ),
    Occupancy.NONE: ("no reply", "Put one of the units back on the pair."),
}
"""What is there, and what to do."""


@dataclass(frozen=True)
class AddressLook:
    """What one look at an address showed."""

    address: int
    occupancy: Occupancy
    changed: bool
    """Whether it is another occupancy than at the look before; true at the first."""
    at: float
    """Clock seconds at the end of the look."""
    examination: Examination

    @property
    def words(self) -> str:
        """What is there and what to do, in two sentences."""
        there, todo = _WORDS[self.occupancy]
        return f"At unit address {both_forms(self.address)}: {there}.  {todo}"

    @property
    def short_words(self) -> str:
        """What is there."""
        return _WORDS[self.occupancy][0]


def occupancy_of(seen: Examination) -> Occupancy:
    """How many units an examination speaks of."""
    if seen.clean:
        return Occupancy.ONE
    if seen.kind is Kind.CLASH:
        return Occupancy.SEVERAL
    return Occupancy.NONE if is_silent(seen) else Occupancy.UNCLEAR


def watch(line: Line, address: int, cancel: Event) -> Iterator[AddressLook]:
    """Look at `address` until cancelled, at the line's present settings; raises `PortError` if the
    port fails."""
    last = None
    while not cancel.is_set():
        silence = _silence(line, address)
        # A look that a unit is connected in the middle of is odd, and goes on for seconds to find
        # out why: it begins once the unit is there.
        seen = silence or examine(line, address, waits=WATCH_WAITS, repeats=2)
        occupancy = occupancy_of(seen)
        yield AddressLook(address, occupancy, occupancy is not last, line.clock.now(), seen)
        last = occupancy


def _silence(line: Line, address: int) -> Examination | None:
    """The silence at `address`, asked with one probe of each kind; None as soon as anything is
    heard."""
    replies: list[Reply] = []
    for request in ladder(address):
        replies.append(judge(request, line.exchange(request, WATCH_WAITS)))
        if is_heard(replies[-1]) or foreign_frames(replies):
            return None
    return Examination(address, line.settings, Kind.SILENT, tuple(replies), (), ())


def isolate(line: Line, address: int, cancel: Event) -> Iterator[AddressLook]:
    """Watch `address` until one unit alone has answered cleanly `STEADY` times in a row, or until
    cancelled.

    The last look tells which: `Occupancy.ONE` with `changed` false.
    """
    steady = 0
    for look in watch(line, address, cancel):
        yield look
        steady = steady + 1 if look.occupancy is Occupancy.ONE else 0
        if steady == STEADY:
            return

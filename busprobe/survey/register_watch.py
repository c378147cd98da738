"""A live unit held beside the notes of its data sheet: what a profile is drafted from.  Reads
only."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace

from busprobe.errors import RefusedError
from busprobe.line.line import Line
from busprobe.modbus.addresses import both_forms
from busprobe.profiles.drafting.draft import Seen, to_read
from busprobe.profiles.drafting.notes import Notes
from busprobe.profiles.read_requests import Block, Registers
from busprobe.profiles.schema import Profile
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified, identify
from busprobe.survey.register_reader import PATIENT, RegisterReader

_SHORTEST_WAIT = 0.3
"""Seconds that a reply is waited for at least."""
_REMEMBERED = 8
"""Looks before the present one that still count."""
_LOOKS = 3
"""Looks of an observation that nobody ends."""
_BETWEEN = 1.0
"""Seconds between them, for values to move."""


@dataclass(frozen=True)
class Observed:
    """What a unit showed."""

    identified: Identified
    seen: Seen
    given: tuple[Block, ...]
    """The unbroken runs of registers that it gave."""


class Watch:
    """One unit looked at again and again, beside notes that may grow meanwhile."""

    def __init__(self, line: Line, address: int, profiles: Iterable[Profile] = ()) -> None:
        """Ask the unit at `address`, at the line's present settings, what it is.

        Raises `RefusedError` where not just one unit answers, and `PortError` if the port fails.
        """
        self.identified = found = identify(line, address, profiles)
        if found.examination.kind is not Kind.UNIT:
            raise RefusedError(
                f"Nothing can be drafted at address {both_forms(address)}: {found.notes[0]}",
                todo="See with 'busprobe survey' who answers there, and at which line settings.",
            )
        latency = found.examination.latency
        # A unit known to be quick is not waited for longer than it takes: some are silent where
        # others refuse.
        waits = (
            replace(PATIENT, reply=max(_SHORTEST_WAIT, 2 * latency.maximum)) if latency else PATIENT
        )
        self._reader = RegisterReader(line, address, waits)
        self._asked: set[tuple[int, int]] = set()
        self._earlier: deque[Registers] = deque(maxlen=_REMEMBERED)

    def look(self, notes: Notes) -> Observed:
        """Read the registers of `notes`: once more those that were given before, and those not yet
        asked for.

        Raises `PortError` if the port fails.
        """
        wanted = to_read(notes)
        self._reader.refresh({key for block in wanted for key in block.keys} & self._asked)
        self._reader.read(block for block in wanted if not self._asked.issuperset(block.keys))
        self._asked.update(key for block in wanted for key in block.keys)
        reader, found = self._reader, self.identified
        registers = dict(reader.registers)  # the reader goes on with its own
        seen = Seen(
            registers,
            tuple(self._earlier),
            tuple(reader.silent),
            frozenset(self._asked),
            reader.most,
            found.objects or {},
            found.server_id,
            found.descriptions,
        )
        self._earlier.append(registers)
        return Observed(found, seen, reader.given())


def observe(line: Line, address: int, notes: Notes, profiles: Iterable[Profile] = ()) -> Observed:
    """Look at the unit at `address`, at the line's present settings, a few times; raises what
    `Watch` does."""
    watch = Watch(line, address, profiles)
    for _ in range(_LOOKS - 1):
        watch.look(notes)
        line.clock.sleep_until(line.clock.now() + _BETWEEN)
    return watch.look(notes)

"""Trying a polling table on the bus: does each unit give the registers between the wanted ones?

A unit may refuse a whole request for one register that it does not have (V1.1b3 section 7,
exception 02), or stay silent.  What a table reads only because it lies in between is therefore
asked for before a master is told to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from threading import Event as StopFlag

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.timing import silence_before
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, read
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PolledUnit, PollingRow, PollingTable, polling_table

ATTEMPTS = 2
"""Requests before registers in between count as not given, so that one disturbed reply does not
decide; our choice."""


@dataclass(frozen=True)
class Trial:
    """What a trial came to."""

    table: PollingTable
    """The cheapest table whose requests for registers in between were all answered."""
    given: tuple[tuple[Place, Block], ...]
    """Requests with registers in between that were answered."""
    refused: tuple[tuple[Place, Block], ...]
    """Registers in between that were not given, by unit."""
    complete: bool = True
    """Whether every such request was tried; it was not where the trial was stopped or a unit
    answers nothing."""


def try_table(
    line: Line, units: Sequence[PolledUnit], waits: Waits, stop: StopFlag | None = None
) -> Trial:
    """Ask for what the cheapest table of `units` reads in between, until all of a table was
    answered on `line`.

    Registers in between that are refused or not answered are avoided like those a unit is known to
    refuse, and the table is made anew; requests for wanted registers alone are not tried.  A unit
    that is silent about a wanted register too is left as it is.  Raises `PortError` if the port
    fails.
    """
    known = tuple(units)
    given: dict[PollingRow, None] = {}
    refused: list[tuple[Place, Block]] = []
    mute: set[Place] = set()
    while True:
        table = polling_table(known)
        open_rows = (row for row in table.rows if row.between and row not in given)
        doubtful = next((row for row in open_rows if row.place not in mute), None)
        if doubtful is None or (stop is not None and stop.is_set()):
            asked = tuple((row.place, row.block) for row in given)
            return Trial(table, asked, tuple(refused), complete=doubtful is None and not mute)
        if _answers(line, doubtful, doubtful.block, waits):
            given[doubtful] = None
            continue
        if not _is_there(line, doubtful, waits):
            mute.add(doubtful.place)  # its silence says nothing of registers
            continue
        # Where each range in between is given alone, it is the length of the whole request that the
        # unit cannot take.
        alone = tuple(
            block for block in doubtful.between if not _answers(line, doubtful, block, waits)
        )
        refused += [(doubtful.place, block) for block in alone or doubtful.between]
        known = tuple(_avoiding(unit, doubtful, alone or doubtful.between) for unit in known)


def _answers(line: Line, row: PollingRow, block: Block, waits: Waits) -> bool:
    """Whether the unit of `row` gives the registers of `block`."""
    return any(_ask(line, row, block, waits).valid for _ in range(ATTEMPTS))


def _is_there(line: Line, row: PollingRow, waits: Waits) -> bool:
    """Whether the unit of `row` answers at all for its first register, which is a wanted one."""
    first = Block(row.block.function, row.block.register, 1)
    return any(_ask(line, row, first, waits).present for _ in range(ATTEMPTS))


def _ask(line: Line, row: PollingRow, block: Block, waits: Waits) -> Reply:
    line.apply(row.place.settings)
    spaced = replace(waits, quiet=max(waits.quiet, silence_before(row.place.settings, row.gap_s)))
    request = read(row.place.address, Function(block.function), block.register, block.count)
    return judge(request, line.exchange(request, spaced))


def _avoiding(unit: PolledUnit, row: PollingRow, refused: tuple[Block, ...]) -> PolledUnit:
    if unit.place != row.place:
        return unit
    return replace(unit, refused=unit.refused + refused)

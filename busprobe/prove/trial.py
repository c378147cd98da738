"""Trying a polling table on the bus: does each unit give the registers between the wanted ones?

A unit may refuse a whole request for one register that it does not have (V1.1b3 section 7, exception 02), or stay
silent.  What a table reads only because it lies in between is therefore asked for before a master is told to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.profiles.plan import Block
from busprobe.prove.polling import PolledUnit, PollingTable, Row, polling_table

ATTEMPTS = 2
"""Requests before registers in between count as not given, so that one disturbed reply does not decide; our choice."""


def tried_table(line: Line, units: Sequence[PolledUnit], waits: Waits) -> PollingTable:
    """The cheapest table for `units` whose requests for registers in between were all answered on `line`.

    Registers in between that are refused or not answered are avoided like those a unit is known to refuse, and the
    table is made anew; requests for wanted registers alone are not tried.  Raises `PortError` if the port fails.
    """
    known = tuple(units)
    given: set[Row] = set()
    while True:
        table = polling_table(known)
        doubtful = next((row for row in table.rows if row.between and row not in given), None)
        if doubtful is None:
            return table
        if _answers(line, doubtful, doubtful.block, waits):
            given.add(doubtful)
            continue
        # Where each range in between is given alone, it is the length of the whole request that the unit cannot take.
        refused = tuple(block for block in doubtful.between if not _answers(line, doubtful, block, waits))
        known = tuple(_avoiding(unit, doubtful, refused or doubtful.between) for unit in known)


def _answers(line: Line, row: Row, block: Block, waits: Waits) -> bool:
    """Whether the unit of `row` gives the registers of `block`."""
    line.apply(row.settings)
    spaced = replace(waits, quiet=max(waits.quiet, row.gap + row.settings.t3_5))
    request = read_registers(row.address, Function(block.function), block.register, block.count)
    return any(judge(request, line.exchange(request, spaced)).sound for _ in range(ATTEMPTS))


def _avoiding(unit: PolledUnit, row: Row, refused: tuple[Block, ...]) -> PolledUnit:
    if (unit.address, unit.settings) != (row.address, row.settings):
        return unit
    return replace(unit, refused=unit.refused + refused)

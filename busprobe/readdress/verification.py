"""What answers at the two places of a move, asked so that a unit which restarts meanwhile cannot
mislead; and where else a lost unit may be."""

from __future__ import annotations

from dataclasses import replace

from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.modbus.addresses import FIRST, LAST
from busprobe.readdress.guards import is_silent
from busprobe.readdress.procedure import Move
from busprobe.survey.close_look import CLOSE_LOOK, Examination, examine
from busprobe.survey.findings import Kind

_PAUSE = 0.25
"""Seconds between two looks for a unit that restarts (common practice)."""


def look_at_both(
    line: Line, move: Move, waits: Waits, *, patience: float, old_taken: bool = False
) -> tuple[Examination, Examination]:
    """What answers at the old and the new place, asked again until that is clear or `patience`
    seconds are over.

    Both silent is not clear, since a unit may be restarting; it is only believed of looks begun
    after `patience`.  For the same reason the place that is silent has to be asked after the other
    one has answered.  Where the old place is `old_taken` by another unit now, an answer from there
    says nothing of this one.
    """
    end = line.clock.now() + patience
    while True:
        begun = line.clock.now()
        at_new = _at(line, move.target, waits)
        at_old = _at(line, move.source, waits)
        clear = at_new.kind is not Kind.SILENT
        if not clear and not old_taken and at_old.kind is not Kind.SILENT:
            at_new = _at(line, move.target, waits)
            clear = at_new.kind is Kind.SILENT
        if (clear and Kind.UNSURE not in (at_old.kind, at_new.kind)) or begun >= end:
            return at_old, at_new
        line.clock.sleep_until(line.clock.now() + _PAUSE)


def _at(line: Line, place: Place, waits: Waits) -> Examination:
    """What answers at `place`; "silent" is told by what was heard: adapter junk is, a lone damaged
    reply is not."""
    line.apply(place.settings)
    seen = examine(line, place.address, waits=waits, repeats=1)
    if seen.kind in (Kind.UNIT, Kind.CLASH):
        return seen
    return replace(seen, kind=Kind.SILENT if is_silent(seen) else Kind.UNSURE)


def unexpected_places(line: Line, move: Move) -> tuple[Place, ...]:
    """Where else a unit answers that could be the one that was lost: by a misread address or code,
    or as new."""
    if not move.changes_settings:
        places = [
            Place(address, move.source.settings) for address in lookalikes(move.target.address)
        ]
    else:
        places = [Place(move.target.address, settings) for settings, _ in move.procedure.codes]
    if move.procedure.factory is not None:
        places.append(move.procedure.factory)
    unexpected = (
        place for place in dict.fromkeys(places) if place not in (move.source, move.target)
    )
    return tuple(place for place in unexpected if _at(line, place, CLOSE_LOOK).kind is Kind.UNIT)


def lookalikes(address: int) -> tuple[int, ...]:
    """Addresses that `address` becomes when its number is misread: decimal for hex, hex for
    decimal, bits mirrored.

    All three are common practice: "set 20, found at 32", and switches whose bit order is the other
    way round.
    """
    readings = {int(str(address), 16), int(f"{address:08b}"[::-1], 2)}
    if f"{address:x}".isdecimal():
        readings.add(int(f"{address:x}"))
    return tuple(sorted(a for a in readings - {address} if FIRST <= a <= LAST))

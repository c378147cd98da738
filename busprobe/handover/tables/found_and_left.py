"""As found and as left: each unit before this job changed anything of it, beside what it is now.

Where a unit waited for its own address on the way is neither, and does not show.
"""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.table import NOT_TESTED, Cell, Table
from busprobe.line.place import Place

_TITLES = ("Address", "Line settings", "Identity", "Firmware")


def found_and_left_table(bus_list: BusList) -> Table:
    """A row a unit that answers; a firmware or an identity that nobody asked for before the unit
    was moved says so."""
    pairs = tuple(f"{title} {when}" for title in _TITLES for when in ("found", "left"))
    rows = tuple(tuple(_cells(unit)) for unit in bus_list.units if unit.found)
    columns = ("Tag", *pairs, "Changed")
    return Table("found-and-left", "As found and as left", columns, rows)


def _cells(unit: UnitRow) -> Iterator[Cell]:
    found = Place.parse(unit.found_at or str(unit.place))
    asked = unit.found_identity or found == unit.place
    left = unit.identity or _told_otherwise(unit)
    pairs: tuple[tuple[Cell, Cell], ...] = (
        (found.address, unit.address),
        (str(found.settings), unit.settings),
        (unit.found_identity or left if asked else NOT_TESTED, left),
        (unit.found_revision or unit.revision if asked else NOT_TESTED, unit.revision),
    )
    yield unit.tag_words
    for pair in pairs:
        yield from pair
    changed = [
        title.lower()
        for title, (before, now) in zip(_TITLES, pairs, strict=True)
        if before != now and before != NOT_TESTED
    ]
    yield ", ".join(changed)


def _told_otherwise(unit: UnitRow) -> str:
    """What a unit is that says nothing of itself, and how that is known."""
    what = " ".join(filter(None, (unit.maker, unit.model, unit.serial)))
    return ", ".join(filter(None, (what, unit.identity_source)))

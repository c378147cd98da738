"""All addresses of the segment at a glance: in use, planned, reserved, spare, and those nobody
asked."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.table import NOT_TESTED, Cell, Table, in_words
from busprobe.job.records import EntryKind
from busprobe.modbus.addresses import ALL, format_addresses, parse_addresses

_STATES = {
    EntryKind.UNIT: "in use",
    EntryKind.CLASH: "clash",
    EntryKind.UNSURE: "not clear who",
    "planned": "planned",
    "reserved": "reserved",
}


def address_table(bus_list: BusList) -> Table:
    """A row an address that somebody has or is to have, and a row a range of the others."""
    return Table("addresses", "Addresses", ("Addresses", "State", "What"), tuple(_rows(bus_list)))


def _rows(bus_list: BusList) -> Iterator[tuple[Cell, ...]]:
    spare = set(parse_addresses(bus_list.segment.spare)) if bus_list.segment.spare else set()
    taken: dict[int, list[UnitRow]] = {}
    for unit in bus_list.units:
        taken.setdefault(unit.address, []).append(unit)

    def state(address: int) -> tuple[str, str]:
        if units := taken.get(address):
            words = "; ".join(_words(unit) for unit in units)
            return " and ".join(dict.fromkeys(_STATES[unit.state] for unit in units)), words
        return ("spare", "") if address in spare else (NOT_TESTED, "")

    for (name, words), run in groupby(sorted({*ALL, *taken}), state):
        # Neighbours that say the same of themselves are still two: only nobody's addresses are put
        # together.
        addresses = list(run)
        if addresses[0] in taken:
            yield from ((str(address), name, words) for address in addresses)
        else:
            yield in_words(format_addresses(addresses)), name, words


def _words(unit: UnitRow) -> str:
    what = " ".join(filter(None, (unit.maker, unit.model)))
    return ", ".join(
        filter(
            None,
            (
                unit.tag_words,
                unit.settings,
                what,
                *(unit.remarks if unit.state == "reserved" else ()),
            ),
        )
    )

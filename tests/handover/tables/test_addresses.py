from __future__ import annotations

from dataclasses import replace

from busprobe.handover.bus_list import UnitRow
from busprobe.handover.tables.addresses import address_table
from busprobe.job.records import EntryKind
from busprobe.modbus.addresses import ALL, parse_addresses
from tests.handover.hostile import EMPTY


def test_every_address_is_in_the_table_once_with_what_is_known_of_it() -> None:
    units = (
        UnitRow(number=1, state=EntryKind.UNIT, address=11, settings="9600-8N1", tag="A"),
        UnitRow(number=2, state=EntryKind.UNIT, address=12, settings="9600-8N1", tag="B"),
        UnitRow(number=3, state=EntryKind.CLASH, address=12, settings="19200-8E1"),
        UnitRow(number=4, state="planned", address=13, tag="C"),
        UnitRow(number=5, state="reserved", address=1, remarks=("Keep free: factory address.",)),
        UnitRow(number=6, state=EntryKind.UNIT, address=251, settings="9600-8N1"),
    )
    table = address_table(
        replace(EMPTY, units=units, segment=replace(EMPTY.segment, spare="2-10,14-20"))
    )
    listed = [
        address
        for row in table.rows
        for address in parse_addresses(str(row[0]).replace(" to ", "-"))
    ]
    assert listed == [*ALL, 251]
    assert table.rows[:6] == (
        ("1", "reserved", "Keep free: factory address."),
        ("2 to 10", "spare", ""),
        ("11", "in use", "A, 9600-8N1"),
        ("12", "in use and clash", "B, 9600-8N1; 19200-8E1"),
        ("13", "planned", "C"),
        ("14 to 20", "spare", ""),
    )
    assert table.rows[6] == ("21 to 247", "not tested", "")


def test_without_a_complete_survey_nothing_is_called_spare() -> None:
    assert address_table(EMPTY).rows == (("1 to 247", "not tested", ""),)

from __future__ import annotations

from dataclasses import replace

from busprobe.handover.bus_list import UnitRow
from busprobe.handover.tables.addresses import address_table
from busprobe.modbus.addresses import ALL, parse_addresses
from tests.handover.hostile import EMPTY


def test_every_address_is_in_the_table_once_with_what_is_known_of_it() -> None:
    units = (
        UnitRow(1, "unit", 11, "9600-8N1", tag="A"),
        UnitRow(2, "unit", 12, "9600-8N1", tag="B"),
        UnitRow(3, "clash", 12, "19200-8E1"),
        UnitRow(4, "planned", 13, tag="C"),
        UnitRow(5, "reserved", 1, remarks=("Keep free: factory address.",)),
        UnitRow(6, "unit", 251, "9600-8N1"),
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

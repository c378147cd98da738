"""What a master is configured from, as CSV: the polling table, ``polling-table.csv``, what it rests
on, ``polling-notes.csv``, and every point, ``master-points.csv``."""

from __future__ import annotations

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats.csv_files import csv_bytes
from busprobe.handover.tables.master_points import master_table
from busprobe.handover.tables.polling_table import polling_tables


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents of the files."""
    tables = (*polling_tables(bus_list), master_table(bus_list))
    return {f"{table.name}.csv": csv_bytes(table) for table in tables}

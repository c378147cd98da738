"""The polling table as CSV, ``polling-table.csv``, and what it rests on, ``polling-notes.csv``."""

from __future__ import annotations

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats.csv_files import csv_bytes
from busprobe.handover.tables.polling_table import polling_tables


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents of both files."""
    return {f"{table.name}.csv": csv_bytes(table) for table in polling_tables(bus_list)}

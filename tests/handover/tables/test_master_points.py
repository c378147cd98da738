"""The sheet that a master is configured from, against other people's code: what is typed in from
it has to read the same values.

Frames are taken apart with `struct` and their check sums made by crccheck; values are decoded by
pymodbus from nothing but the columns of the sheet.
"""

from __future__ import annotations

import csv
import io
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest
from crccheck.crc import CrcModbus
from pymodbus.client.mixin import ModbusClientMixin

from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS
from busprobe.handover.tables.master_points import master_points, master_table
from busprobe.line.exchange import Waits
from busprobe.modbus.replies import judge
from busprobe.modbus.requests import Request
from busprobe.session.session import Session
from tests.handover.site import clean_site

DATA_TYPES = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
    "enum": ModbusClientMixin.DATATYPE.UINT16,
    "bits": ModbusClientMixin.DATATYPE.UINT16,
}


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    with clean_site(tmp_path_factory.mktemp("site")) as made:
        list(made.try_polling(1))
        yield made


@pytest.fixture(scope="module")
def bus_list(session: Session) -> BusList:
    return session.bus_list()


def sheet(bus_list: BusList) -> list[dict[str, str]]:
    content = EXPORTERS["polling"](bus_list)["master-points.csv"].decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(content, newline="")))


def test_every_point_on_the_list_is_on_the_sheet_once(bus_list: BusList) -> None:
    rows = sheet(bus_list)
    assert [(row["Tag"], row["Point"]) for row in rows] == [
        (point.tag, point.name) for point in bus_list.points
    ]
    assert len(rows) > 15


def test_the_request_bytes_ask_for_the_point_at_its_unit(bus_list: BusList) -> None:
    for row in sheet(bus_list):
        frame = bytes.fromhex(row["Request hex"])
        address, function, first, count = struct.unpack(">BBHH", frame[:6])
        assert frame[6:] == struct.pack("<H", CrcModbus.calc(frame[:6])), row["Point"]
        assert (address, function) == (int(row["Address"]), int(row["Function"]))
        start = int(row["Register"])
        assert first <= start and start + int(row["Registers"]) <= first + count
        assert int(row["Position in reply"]) == start - first


def test_the_three_numbers_of_a_register_name_the_same_one(bus_list: BusList) -> None:
    """V1.1b3 section 4.4: element X is addressed as X-1.  The digit before it is common practice:
    4 holding registers, 3 input registers."""
    for row in sheet(bus_list):
        wire = int(row["Register"])
        assert int(row["Register from 1"]) == wire + 1
        assert row["Reference"] == f"{ {'3': 4, '4': 3}[row['Function']] }{wire + 1:04d}"


def test_a_master_that_knows_the_sheet_alone_reads_the_same_values(
    session: Session, bus_list: BusList
) -> None:
    """The virtual segment is asked with the bytes of the sheet; live values move, so that they are
    compared with a decoding of the same reply."""
    read = {(point.tag, point.name): point for point in bus_list.points}
    checked = 0
    for row in sheet(bus_list):
        if row["Type"] not in DATA_TYPES:
            continue
        request = Request(bytes.fromhex(row["Request hex"]), "")
        reply = judge(request, session.line.exchange(request, Waits(reply=1.0)))
        assert reply.valid
        start = int(row["Position in reply"])
        data = reply.frame[3:-2][2 * start : 2 * (start + int(row["Registers"]))]
        if row["First byte"] == "low":
            data = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
        words = list(struct.unpack(f">{len(data) // 2}H", data))
        raw = ModbusClientMixin.convert_from_registers(
            words,
            DATA_TYPES[row["Type"]],
            word_order="little" if row["First word"] == "low" else "big",
        )
        value = float(raw) * float(row["Scale"] or 1) + float(row["Offset"] or 0)  # type: ignore[arg-type]
        before = read[row["Tag"], row["Point"]].value
        assert isinstance(before, int | float)
        assert value == pytest.approx(before, rel=0.2, abs=1), row["Point"]
        checked += 1
    assert checked > 15


def test_a_constant_is_read_once_and_by_a_request_of_its_own(bus_list: BusList) -> None:
    [version] = [row for row in sheet(bus_list) if row["Point"] == "Firmware version"]
    assert version["Every s"] == "once"
    polled = EXPORTERS["polling"](bus_list)["polling-table.csv"].decode("utf-8-sig")
    assert "Firmware version" not in polled
    assert version["Request no."] == ""
    assert bytes.fromhex(version["Request hex"])[:6] == struct.pack(">BBHH", 31, 3, 40, 1)
    notes = EXPORTERS["polling"](bus_list)["polling-notes.csv"].decode("utf-8-sig")
    assert "Read once" in notes and "Firmware version" in notes


def test_timeout_and_retries_say_where_they_come_from(tmp_path: Path) -> None:
    with clean_site(tmp_path) as session:
        before = master_points(session.bus_list())
        assert {(one.timeout_ms, one.retries, one.timeout_from) for one in before} == {
            (1000, 1, "assumed")
        }
        list(session.prove(rounds=20))
        after = master_points(session.bus_list())
    [(timeout, retries, source)] = {
        (one.timeout_ms, one.retries, one.timeout_from) for one in after
    }
    assert (timeout, retries, source) == (200, 1, "endurance run")


def test_a_request_that_was_not_tried_says_so(tmp_path: Path) -> None:
    """The meter of the scenario refuses registers between its values: a master would get exception
    02."""
    with clean_site(tmp_path) as session:
        noted = {one.tag for one in master_points(session.bus_list()) if "not tried" in one.note}
        assert "EM-101" in noted
        list(session.try_polling(1))
        assert not [one for one in master_points(session.bus_list()) if "not tried" in one.note]


def test_the_workbook_has_the_sheet(bus_list: BusList) -> None:
    from busprobe.handover.tables.papers import book_tables

    assert master_table(bus_list) in book_tables(bus_list)

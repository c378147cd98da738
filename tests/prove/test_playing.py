"""Playing a master by a table: asked at its intervals, measured, and told what was missed.

On simulated time the cycles are exact; on a pseudo-terminal they are held against a unit that is
written here by hand, with `struct`, crccheck and the times at which it was asked.
"""

from __future__ import annotations

import os
import select
import struct
import sys
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from statistics import median
from threading import Event as StopFlag

import pytest
from crccheck.crc import CrcModbus

from busprobe.errors import FileError
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.serial_port import SerialPort
from busprobe.line.settings import LineSettings
from busprobe.prove.playing import Asked, PlayEnded, play
from busprobe.prove.request_table import TableRequest, load_table
from tests.prove.bench import SETTINGS, bench, framed

AT_19200 = LineSettings.parse("19200-8N1")
HEAD = "Address,Line settings,Function,Register,Registers,Every s"


def table(folder: Path, *rows: str, head: str = HEAD) -> tuple[TableRequest, ...]:
    path = folder / "table.csv"
    path.write_text("\n".join((head, *rows)))
    return load_table(path)


def played(
    line: Line, requests: tuple[TableRequest, ...], seconds: float
) -> tuple[list[Asked], PlayEnded]:
    *asked, ended = play(line, requests, seconds=seconds)
    assert isinstance(ended, PlayEnded)
    return [one for one in asked if isinstance(one, Asked)], ended


def test_each_request_is_asked_at_its_interval_exactly(tmp_path: Path) -> None:
    line, port = bench()
    requests = table(tmp_path, f"1,{SETTINGS},3,0,1,0.5", f"2,{SETTINGS},3,0,2,2")
    _, ended = played(line, requests, 10.0)
    first, second = ended.tallies
    assert (first.asked, first.missed, first.skipped) == (20, 0, 0)
    assert (second.asked, second.missed, second.skipped) == (5, 0, 0)
    assert len(port.sent) == 25
    # The very first waits for the silence at the start of a line; all others begin on time, the
    # second request of the table right behind the first where both are due.
    of_first = [at for at, frame in port.sent if frame[0] == 1]
    assert of_first[1:] == pytest.approx([0.5 * turn for turn in range(1, 20)])
    assert first.cycles.median == pytest.approx(0.5)
    assert second.cycles.median == pytest.approx(2.0, abs=0.005)


def test_a_unit_that_is_silent_costs_its_timeout_and_retries(tmp_path: Path) -> None:
    line, port = bench(lambda number, request: [] if request[0] == 2 else None)
    head = f"{HEAD},Timeout ms,Retries"
    requests = table(
        tmp_path, f"1,{SETTINGS},3,0,1,1,200,0", f"2,{SETTINGS},3,0,1,10,300,2", head=head
    )
    asked, ended = played(line, requests, 10.0)
    first, second = ended.tallies
    assert (second.asked, second.missed, second.retried) == (1, 1, 2)
    assert sum(frame[0] == 2 for _, frame in port.sent) == 3
    assert first.missed == 0
    [miss] = [one for one in asked if one.missed]
    assert miss.request.place == Place(2, SETTINGS)
    # Three waits of 300 ms lie between the first two of the other unit, whose interval is a second.
    assert first.cycles.maximum is not None and first.cycles.maximum < 1.1


def test_what_cannot_be_kept_up_with_is_skipped_and_counted(tmp_path: Path) -> None:
    """A request takes longer than its interval: the true cycle is told, and no request is sent
    twice in a row to catch up."""
    line, _ = bench()
    [request] = table(tmp_path, f"1,{SETTINGS},3,0,125,0.05")
    _, ended = played(line, (request,), 10.0)
    [tally] = ended.tallies
    assert tally.asked < 100
    assert tally.skipped > 50
    # 200 turns in 10 s; those that pass during the last request count, too.
    assert 200 <= tally.asked + tally.skipped <= 207
    assert tally.cycles.median is not None and tally.cycles.median > 0.05


def test_a_refusal_is_no_miss(tmp_path: Path) -> None:
    line, _ = bench(lambda number, request: [(0.0, framed(request[0], 0x83, 2))])
    requests = table(tmp_path, f"1,{SETTINGS},3,0,1,1")
    _, ended = played(line, requests, 3.0)
    [tally] = ended.tallies
    assert (tally.asked, tally.refused, tally.missed, tally.retried) == (3, 3, 0, 0)


def test_a_constant_is_asked_once(tmp_path: Path) -> None:
    line, _ = bench()
    requests = table(tmp_path, f"1,{SETTINGS},3,0,1,1", f"1,{SETTINGS},3,40,1,once")
    _, ended = played(line, requests, 5.0)
    assert [tally.asked for tally in ended.tallies] == [5, 1]


def test_stopping_ends_it(tmp_path: Path) -> None:
    line, _ = bench()
    stop = StopFlag()
    events = play(line, table(tmp_path, f"1,{SETTINGS},3,0,1,1"), stop=stop)
    next(events)
    stop.set()
    [ended] = list(events)
    assert isinstance(ended, PlayEnded)


VALUES = f"{HEAD},Point,Type,Word order,Scale,Offset,Unit,Request hex,Codes"


def answering(words: list[int]) -> object:
    def answer(number: int, request: bytes) -> list[tuple[float, bytes]]:
        first, count = struct.unpack(">HH", request[2:6])
        data = struct.pack(f">{count}H", *words[first : first + count])
        return [(0.0, framed(request[0], request[1], len(data), *data))]

    return answer


def test_live_values_are_decoded_by_the_table_alone(tmp_path: Path) -> None:
    flow = struct.unpack(">HH", struct.pack(">f", 12.5))
    words = [flow[1], flow[0], 0xFFCC, 2]
    line, port = bench(answering(words))  # type: ignore[arg-type]
    body = struct.pack(">BBHH", 7, 3, 0, 4)
    frame = (body + struct.pack("<H", CrcModbus.calc(body))).hex(" ")
    rows = (
        f"7,{SETTINGS},3,0,2,1,Flow,float32,CDAB,1,0,m³/h,{frame},",
        f"7,{SETTINGS},3,2,1,1,Temperature,int16,,0.1,0,°C,{frame},",
        f"7,{SETTINGS},3,3,1,1,State,enum,,,,,{frame},0 = off | 2 = fault",
        f"7,{SETTINGS},3,3,1,1,Plain,,,,,,{frame},",
    )
    [request] = table(tmp_path, *rows, head=VALUES)
    assert len(request.points) == 4
    [asked, *_], _ = played(line, (request,), 1.0)
    assert asked.values == ("12.5 m³/h", "-5.2 °C", "fault", "0x0002")
    assert [sent for _, sent in port.sent] == [bytes.fromhex(frame)]


def test_parts_of_registers_digits_and_codes_without_a_value_are_decoded(tmp_path: Path) -> None:
    line, _ = bench(answering([0x2305, 0xB123, 0x8000]))  # type: ignore[arg-type]
    head = f"{HEAD},Point,Type,First bit,Bits,Scale,Codes,No value"
    rows = (
        f"7,{SETTINGS},3,0,1,1,Volts,bcd16,,,0.1,,",
        f"7,{SETTINGS},3,1,1,1,State,enum,12,4,,11 = run,",
        f"7,{SETTINGS},3,2,1,1,Level,uint16,,,,,0x8000 0x7FFF",
    )
    asked, _ = played(line, table(tmp_path, *rows, head=head), 1.0)
    assert [one.values for one in asked] == [("230.5",), ("run",), ("no value",)]


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (f"300,{SETTINGS},3,0,1,1,,,,,,,,", "line 2, address '300'"),
        (f"7,{SETTINGS},6,0,1,1,,,,,,,,", "line 2, function '6'"),
        ("7,9600,3,0,1,1,,,,,,,,", "line 2, line settings"),
        (f"7,{SETTINGS},3,0,1,0,,,,,,,,", "line 2, every s: '0' is no interval"),
        (f"7,{SETTINGS},3,0,126,1,,,,,,,,", "line 2, registers: 126 in one request"),
        (f"7,{SETTINGS},3,0,1,1,P,word,,,,,,", "line 2, type: 'word'"),
        (f"7,{SETTINGS},3,0,1,1,P,float32,,,,,,", "line 2, registers: float32 takes 2, not 1"),
        (f"7,{SETTINGS},3,0,1,1,P,uint16,,x,,,,", "line 2, scale 'x'"),
        (f"7,{SETTINGS},3,5,1,1,P,,,,,,07 03 00 00 00 01 84 6C,", "is not within the request"),
        (f"7,{SETTINGS},3,0,1,1,P,,,,,,08 03 00 00 00 01 84 53,", "line 2, request hex"),
        (f"7,{SETTINGS},3,0,1,1,P,,,,,,07 03 00 00 00 01 00 00,", "line 2, request hex"),
        (f"7,{SETTINGS},3,0,1,1,P,,,,,,xyz,", "line 2, request hex"),
    ],
)
def test_a_bad_row_has_its_line_and_the_reason(tmp_path: Path, row: str, expected: str) -> None:
    with pytest.raises(FileError) as caught:
        table(tmp_path, row, head=VALUES)
    assert expected in str(caught.value)


@contextmanager
def independent_unit(address: int) -> Iterator[tuple[str, list[float]]]:
    """A unit on a pseudo-terminal of another making: the path, and when it was asked."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    times: list[float] = []
    ended = threading.Event()

    def serve() -> None:
        received = b""
        while not ended.is_set():
            if not select.select([master], [], [], 0.05)[0]:
                continue
            received += os.read(master, 256)
            while len(received) >= 8:
                request, received = received[:8], received[8:]
                if request[0] == address and CrcModbus.calc(request) == 0:
                    times.append(time.monotonic())
                    count = struct.unpack(">H", request[4:6])[0]
                    body = bytes((address, request[1], 2 * count)) + bytes(2 * count)
                    os.write(master, body + struct.pack("<H", CrcModbus.calc(body)))

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave), times
    finally:
        ended.set()
        thread.join()
        os.close(master)
        os.close(slave)


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_true_cycles_are_those_that_a_unit_sees(tmp_path: Path) -> None:
    requests = table(tmp_path, "7,19200-8N1,3,0,2,0.2")
    with independent_unit(7) as (path, times):
        line = Line(SerialPort(path, AT_19200), AT_19200)
        try:
            _, ended = played(line, requests, 3.0)
        finally:
            line.close()
    [tally] = ended.tallies
    seen = [late - early for early, late in pairwise(times)]
    assert (tally.missed, len(times)) == (0, tally.asked)
    assert tally.asked == pytest.approx(15, abs=1)
    assert tally.cycles.median == pytest.approx(median(seen), abs=0.01)
    assert tally.cycles.median == pytest.approx(0.2, abs=0.02)

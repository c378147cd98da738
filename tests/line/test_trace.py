"""The trace, read by a library that nobody here wrote (python-pcapng), against the published layout
of LINKTYPE_RTAC_SERIAL (tcpdump.org/linktypes/LINKTYPE_RTAC_SERIAL.html)."""

from __future__ import annotations

import errno
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pcapng import FileScanner
from pcapng.blocks import EnhancedPacket, InterfaceDescription, SectionHeader

from busprobe.errors import FileError
from busprobe.line import trace
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.line.trace import TraceFile
from busprobe.modbus.requests import Function, read_registers
from tests.line.scripted import ScriptedPort

AT_9600 = LineSettings.parse("9600-8N1")
REQUEST = read_registers(1, Function.READ_HOLDING_REGISTERS, 0x6B, 3)
REPLY = bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")
"""Of V1.1b3 section 6.3."""


@pytest.fixture
def file(tmp_path: Path) -> Iterator[TraceFile]:
    opened = TraceFile(tmp_path / "bus.pcapng")
    trace.write_to(opened)
    yield opened
    trace.write_to(None)
    opened.close()


def blocks(file: TraceFile) -> list[Any]:
    file.close()
    with file.path.open("rb") as opened:
        return list(FileScanner(opened))


def packets(file: TraceFile) -> list[EnhancedPacket]:
    return [each for each in blocks(file) if isinstance(each, EnhancedPacket)]


def event(packet: EnhancedPacket) -> tuple[int, bytes]:
    """Serial event type at byte 8, payload from byte 12 on; the times of the header are those of
    the block, and nothing is said of control lines or in the footer."""
    data = packet.packet_data
    seconds, microseconds = int.from_bytes(data[:4], "big"), int.from_bytes(data[4:8], "big")
    assert round(packet.timestamp * 1e6) == seconds * 10**6 + microseconds
    assert data[9:12] == bytes(3)
    return data[8], data[12:]


def test_what_was_sent_and_heard_is_there_with_its_times(file: TraceFile) -> None:
    port = ScriptedPort(lambda _: [(0.02, REPLY)], name="COM7")
    before = time.time()
    with Line(port, AT_9600) as line:
        line.exchange(REQUEST, Waits())
    sent, heard, complete = packets(file)
    assert [event(each) for each in (sent, heard, complete)] == [
        (0x01, REQUEST.frame),
        (0x02, REPLY),
        (0x06, b""),
    ]
    assert [each.options["epb_flags"].inout for each in (sent, heard)] == ["outbound", "inbound"]
    on_wire = 8 * 10 / 9600  # eight characters of ten bits
    assert heard.timestamp - sent.timestamp == pytest.approx(on_wire + 0.02, abs=2e-6)
    assert before <= sent.timestamp <= time.time() + 1


def test_the_file_says_what_captured_it_and_where(file: TraceFile) -> None:
    with Line(ScriptedPort(lambda _: [], name="COM7"), AT_9600) as line:
        line.exchange(REQUEST, Waits())
        line.apply(LineSettings.parse("19200-8E1"))
        line.exchange(REQUEST, Waits())
        line.apply(AT_9600)
        line.exchange(REQUEST, Waits())
    read = blocks(file)
    assert isinstance(read[0], SectionHeader)
    assert "busprobe" in str(read[0].options["shb_userappl"])
    described = [each for each in read if isinstance(each, InterfaceDescription)]
    assert [(each.link_type, each.options["if_description"]) for each in described] == [
        (250, "9600-8N1"),
        (250, "19200-8E1"),
    ]
    assert {each.options["if_name"] for each in described} == {"COM7"}
    assert [each.options["if_speed"] for each in described] == [9600, 19200]
    of = [each.interface_id for each in read if isinstance(each, EnhancedPacket)]
    assert of == [0, 1, 0, 0]


def test_a_frame_that_comes_in_bursts_is_one_packet(file: TraceFile) -> None:
    """A USB adapter delivers every 16 ms (its latency timer) what came meanwhile."""
    long = REPLY * 3
    bursts = [(0.016, long[:5]), (0.032, long[5:20]), (0.048, long[20:])]
    with Line(ScriptedPort(lambda _: bursts), AT_9600) as line:
        line.exchange(REQUEST, Waits(after=0.1))
    _, heard, _ = packets(file)
    assert event(heard) == (0x02, long)
    assert "3 bursts, the last 32.0 ms after" in str(heard.options["opt_comment"])


def test_a_pause_parts_packets(file: TraceFile) -> None:
    """3.5 characters of silence part two frames (MODBUS over Serial Line V1.02, 2.5.1.1)."""
    character = 10 / 9600
    for pause, count in ((3.4 * character, 1), (3.6 * character, 2)):
        second = 0.02 + pause + len(REPLY) * character
        port = ScriptedPort(lambda _, at=second: [(0.02, REPLY), (at, REPLY)])  # type: ignore[misc]
        with Line(port, AT_9600) as line:
            line.exchange(REQUEST, Waits(after=0.1))
        heard = [each for each in packets_so_far(file) if event(each)[0] == 0x02]
        assert len(heard) - (pause > 3.5 * character) == count
        assert b"".join(event(each)[1] for each in heard[-count:]) == REPLY * 2


def packets_so_far(file: TraceFile) -> list[EnhancedPacket]:
    with file.path.open("rb") as opened:
        return [each for each in FileScanner(opened) if isinstance(each, EnhancedPacket)]


class _FlaggingPort(ScriptedPort):
    """Its receiver finds fault with the second byte."""

    def receive(self, until: float) -> Chunk | None:
        chunk = super().receive(until)
        return None if chunk is None else Chunk(chunk.at, chunk.data, (1,))


def test_a_byte_that_the_receiver_flagged_is_a_symbol_error(file: TraceFile) -> None:
    with Line(_FlaggingPort(lambda _: [(0.02, REPLY)]), AT_9600) as line:
        line.exchange(REQUEST, Waits())
    flags = [each.options["epb_flags"] for each in packets(file)]
    assert [each.err_symbol for each in flags] == [False, True, False]


def test_a_trace_costs_nothing_where_none_is_asked_for() -> None:
    port = ScriptedPort(lambda _: [])
    assert trace.traced(port) is port


def test_a_full_disk_ends_the_trace_and_nothing_else(
    file: TraceFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full:
        closed = False

        def write(self, _: bytes) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

        def close(self) -> None:
            pass

    monkeypatch.setattr(file, "_file", Full())
    with Line(ScriptedPort(lambda _: [(0.02, REPLY)]), AT_9600) as line:
        assert line.exchange(REQUEST, Waits()).received == REPLY
    assert file.trouble is not None
    assert file.trouble.errno == errno.ENOSPC


def test_a_file_that_is_there_is_not_replaced(tmp_path: Path) -> None:
    there = tmp_path / "plant.busjob"
    there.write_text("work of a day")
    with pytest.raises(FileError, match="a trace replaces none"):
        TraceFile(there)
    assert there.read_text() == "work of a day"


def test_a_place_where_no_file_can_be_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be written"):
        TraceFile(tmp_path / "no such folder" / "bus.pcapng")

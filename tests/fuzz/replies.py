"""Replies in bulk: random, mutated, spliced and cut, through every judge and parser."""

from __future__ import annotations

from collections import Counter
from random import Random

from busprobe.line.echo import Echo
from busprobe.line.exchange import Ending, Exchange
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import crc, is_valid
from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.replies import Reply, Verdict, judge
from busprobe.modbus.requests import (
    Function,
    Request,
    read_bits,
    read_device_identification,
    read_registers,
    report_server_id,
    return_query_data,
    write_register,
    write_registers,
)
from busprobe.modbus.traffic import valid_frames
from busprobe.profiles.values import readings
from busprobe.survey.verdict import analyse
from busprobe.wiring import byte_patterns
from tests.fuzz.jobs import profiles

AT = LineSettings.parse("9600-8N1")
ADDRESS = 17
REQUESTS: tuple[Request, ...] = (
    read_registers(ADDRESS, Function.READ_HOLDING_REGISTERS, 0, 1),
    read_registers(ADDRESS, Function.READ_INPUT_REGISTERS, 7, 10),
    read_bits(ADDRESS, Function.READ_COILS, 0, 9),
    read_device_identification(ADDRESS),
    report_server_id(ADDRESS),
    return_query_data(ADDRESS),
    write_register(ADDRESS, 1, 2),
    write_registers(ADDRESS, 1, [2, 3]),
)
_HOW_MANY_TOGETHER = 12
"""Replies that are judged as those of one address."""


def _framed(*data: int) -> bytes:
    return bytes(data) + crc(bytes(data))


def _sound(request: Request, random: Random) -> bytes:
    """A reply that the standard knows: as asked, or an exception."""
    function = request.function
    if random.random() < 0.2:
        return _framed(ADDRESS, function | 0x80, random.randrange(12))
    if function.reads_registers or function.reads_bits:
        data = random.randbytes(request.data_bytes)
        return _framed(ADDRESS, function, len(data), *data)
    if function is Function.REPORT_SERVER_ID:
        data = random.randbytes(random.randrange(1, 20))
        return _framed(ADDRESS, function, len(data), *data)
    if function is Function.READ_DEVICE_IDENTIFICATION:
        objects = [random.randbytes(random.randrange(9)) for _ in range(random.randrange(4))]
        listed = b"".join(bytes([n, len(each)]) + each for n, each in enumerate(objects))
        more = random.choice((0, 0, 0xFF))
        return _framed(ADDRESS, function, 14, 1, 1, more, 0, len(objects), *listed)
    return _framed(*request.frame[: 8 if request.mirrored else 6][:6])


def received(request: Request, random: Random) -> bytes:
    """What a far end may send: mostly a reply that is damaged in one way or another."""
    data = bytearray(_sound(request, random))
    for _ in range(random.choice((0, 1, 1, 2, 5))):
        match random.randrange(8):
            case 0:
                data = bytearray(random.randbytes(random.randrange(300)))
            case 1 if data:
                data[random.randrange(len(data))] ^= 1 << random.randrange(8)
            case 2:
                del data[random.randrange(len(data) + 1) :]
            case 3:
                del data[: random.randrange(len(data) + 1)]
            case 4:  # spliced with another reply at some place
                other = _sound(random.choice(REQUESTS), random)
                data[random.randrange(len(data) + 1) :] = other[random.randrange(len(other)) :]
            case 5:
                data = bytearray(request.frame) + data
            case 6 if len(data) > 2:  # counts that lie, under a CRC that does not
                data[random.randrange(len(data) - 2)] = random.randrange(256)
                data[-2:] = crc(bytes(data[:-2]))
            case 7:
                data += random.choice((b"\x00", b"\xff" * 3, _framed(3, 3, 2, 0, 1), bytes(data)))
    return bytes(data[:1100])


def exchange(request: Request, data: bytes, random: Random) -> Exchange:
    """The exchange in which that came, in pieces, some of it flagged."""
    chunks, at, start = [], 0.01, 0
    while start < len(data):
        size = random.choice((1, 3, 8, 1000))
        piece = data[start : start + size]
        at += AT.wire_time(len(piece)) + random.choice((0.0, 0.0, 0.02))
        bad = (random.randrange(len(piece)),) if random.random() < 0.05 else ()
        chunks.append(Chunk(at, piece, bad))
        start += size
    return Exchange(
        request=request.frame,
        settings=AT,
        started=0.0,
        sent=0.005,
        ended=at,
        chunks=tuple(chunks),
        echo=random.choice((Echo.NONE, Echo.FULL)),
        ending=random.choice(list(Ending)),
        leftover=random.randbytes(random.choice((0, 0, 0, 4))),
    )


def _parsed(reply: Reply, random: Random) -> None:
    """Everything that is read out of a reply."""
    _ = reply.words, reply.latency, reply.exception, reply.refused, reply.registers
    if reply.valid and reply.request.function is Function.READ_DEVICE_IDENTIFICATION:
        identification_page(reply)
    if reply.valid and reply.request.function is Function.REPORT_SERVER_ID:
        server_id(reply)
    data = reply.exchange.received
    for frame in valid_frames(data):
        _ = frame.words, frame.is_exception
    byte_patterns.times_too_fast(data)
    byte_patterns.complement_like(data)
    byte_patterns.single_pulses(data)
    byte_patterns.ones_added(reply.request.frame, data)
    byte_patterns.tail_missing(reply.request.frame, data)
    if random.random() < 0.01:
        profile = random.choice(list(profiles().profiles.values()))
        table: dict[tuple[int, int], int] = {
            (int(point.function), at): random.randrange(0x10000)
            for point in profile.points
            for at in range(point.at.wire, point.last + 1)
        }
        for reading in readings(profile, table):
            _ = reading.text


def many(count: int, seed: int) -> Counter[Verdict]:
    """Judge so many replies; the verdicts.  Raises what a judge or a parser does not expect."""
    random = Random(seed)  # noqa: S311 - the same replies again are what is wanted
    verdicts: Counter[Verdict] = Counter()
    together: list[Reply] = []
    for _ in range(count):
        request = random.choice(REQUESTS)
        reply = judge(request, exchange(request, received(request, random), random))
        verdicts[reply.verdict] += 1
        if reply.valid:
            assert is_valid(reply.frame), reply
            assert reply.frame[0] == ADDRESS, reply
            assert reply.frame in reply.exchange.received, reply
        _parsed(reply, random)
        together.append(reply)
        if len(together) == _HOW_MANY_TOGETHER:
            _ = analyse(together, noisy=random.random() < 0.3).notes
            together.clear()
    return verdicts

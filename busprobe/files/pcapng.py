"""Capture files that general protocol analysers read: pcapng.

Source: IETF draft-ietf-opsawg-pcapng, sections 3 and 4 (blocks, options, flags word).  Only what a
capture of a serial line needs is written; of what others write, blocks and options that mean
nothing here are passed over, as the draft asks.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import BinaryIO

_SECTION, _INTERFACE, _PACKET = 0x0A0D0D0A, 1, 6
"""Block types: section header, interface description, enhanced packet."""
_MAGIC = 0x1A2B3C4D
_END, _COMMENT = 0, 1
_APPLICATION = 4
_NAME, _DESCRIPTION, _SPEED, _RESOLUTION, _OFFSET = 2, 3, 8, 9, 14
_FLAGS = 2
_SYMBOL_ERROR = 1 << 31
"""Bit of the flags word: the receiver found fault with a character."""
LOCAL = 0x8000
"""The first option code that is left to whoever writes a file."""
_MICROSECOND = 6
"""Resolution of times unless an interface says otherwise: ten to the minus this."""
_LARGEST = 1 << 24
"""Bytes of the largest block that is read; a packet of a serial line has a thousandth of it."""

Option = tuple[int, bytes]
"""Code and value."""


class Direction(IntEnum):
    """Which way a packet went (flags word, bits 0 and 1)."""

    UNKNOWN = 0
    INBOUND = 1
    OUTBOUND = 2


@dataclass(frozen=True)
class Interface:
    """What packets were captured on."""

    link_type: int
    """By the published list of link-layer header types."""
    name: str = ""
    description: str = ""
    speed: int = 0
    """Bits per second; 0 where it is not said."""


@dataclass(frozen=True)
class Packet:
    """One packet, with its link-layer header."""

    interface: Interface
    at: int
    """Microseconds since 1970-01-01 00:00:00 UTC."""
    data: bytes
    direction: Direction = Direction.UNKNOWN
    faulty: bool = False
    """Whether the receiver found fault with a character of it."""
    comment: str = ""
    local: tuple[Option, ...] = ()
    """Options with codes from `LOCAL` on."""


def section(application: str) -> bytes:
    """The block that a file begins with; `application` is who writes it."""
    head = struct.pack("<IHHq", _MAGIC, 1, 0, -1)
    return _block(_SECTION, head, [(_APPLICATION, application.encode())])


def interface(what: Interface) -> bytes:
    """The block that must come before the first packet of an interface."""
    texts = [(_NAME, what.name.encode()), (_DESCRIPTION, what.description.encode())]
    speed = [(_SPEED, struct.pack("<Q", what.speed))] if what.speed else []
    return _block(_INTERFACE, struct.pack("<HHI", what.link_type, 0, 0), [*texts, *speed])


def packet(what: Packet, number: int) -> bytes:
    """The block of a packet; `number` counts the interfaces of the section from 0."""
    flags = what.direction | (_SYMBOL_ERROR if what.faulty else 0)
    comment = [(_COMMENT, what.comment.encode())] if what.comment else []
    length = len(what.data)
    head = struct.pack(
        "<5I", number, what.at >> 32, what.at & 0xFFFFFFFF, length, length
    ) + _padded(what.data)
    return _block(_PACKET, head, [(_FLAGS, struct.pack("<I", flags)), *comment, *what.local])


def _padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 4)


def _block(kind: int, body: bytes, options: Iterable[Option]) -> bytes:
    listed = b"".join(
        struct.pack("<HH", code, len(value)) + _padded(value) for code, value in options
    )
    whole = body + listed + struct.pack("<HH", _END, 0)
    length = struct.pack("<I", len(whole) + 12)
    return struct.pack("<I", kind) + length + whole + length


@dataclass(frozen=True)
class _Described:
    """An interface, and how its times are told."""

    interface: Interface
    per_second: int
    offset: int
    """Seconds to add."""

    def microseconds(self, units: int) -> int:
        return self.offset * 10**6 + units * 10**6 // self.per_second


def read(file: BinaryIO) -> Iterator[Packet]:
    """The packets of a capture, in their order; raises ValueError, with the place, on what is no
    pcapng, and where it is cut off or damaged - after all packets before that."""
    order = "<"
    interfaces: list[_Described] = []
    first = True
    while head := file.read(8):
        at = f"byte {file.tell() - len(head)}"
        if len(head) < 8:
            raise ValueError(f"{at}: the file is cut off")
        if head[:4] == struct.pack("<I", _SECTION):
            if len(magic := file.read(4)) < 4:
                raise ValueError(f"{at}: the file is cut off")
            order = "<" if magic == struct.pack("<I", _MAGIC) else ">"
            if magic != struct.pack(f"{order}I", _MAGIC):
                raise ValueError(f"{at}: this is no section of a pcapng file")
            interfaces = []
            kind, body = _SECTION, _body(file, order, head, 4, at)
            if body[:2] != struct.pack(f"{order}H", 1):
                raise ValueError(f"{at}: the version of the section is not known")
        elif first:
            raise ValueError(f"{at}: this is no pcapng file")
        else:
            kind = struct.unpack(f"{order}I", head[:4])[0]
            body = _body(file, order, head, 0, at)
        first = False
        try:
            if kind == _INTERFACE:
                interfaces.append(_described(body, order))
            elif kind == _PACKET:
                yield _packet(body, order, interfaces)
        except (struct.error, IndexError, OverflowError):
            raise ValueError(f"{at}: the block does not hold what it says") from None
    if first:
        raise ValueError("the file is empty")


def _body(file: BinaryIO, order: str, head: bytes, taken: int, at: str) -> bytes:
    """The rest of a block of which `taken` bytes behind its head were read."""
    (length,) = struct.unpack(f"{order}I", head[4:])
    left = length - 12 - taken
    if left < 0 or length % 4 or length > _LARGEST:
        raise ValueError(f"{at}: a block cannot have {length} bytes")
    body = file.read(left)
    if len(body) < left or len(again := file.read(4)) < 4:
        raise ValueError(f"{at}: the file is cut off")
    if again != head[4:]:
        raise ValueError(f"{at}: the block does not end where it says")
    return body


def _options(data: bytes, order: str) -> Iterator[Option]:
    while len(data) >= 4:
        code, length = struct.unpack(f"{order}HH", data[:4])
        if code == _END:
            return
        if len(data) < 4 + length:
            raise struct.error
        yield code, data[4 : 4 + length]
        data = data[4 + length + -length % 4 :]


def _text(value: bytes) -> str:
    return value.partition(b"\0")[0].decode("utf-8", "replace")


def _described(body: bytes, order: str) -> _Described:
    link_type, _, _ = struct.unpack(f"{order}HHI", body[:8])
    options = dict(_options(body[8:], order))
    name, description = (_text(options.get(code, b"")) for code in (_NAME, _DESCRIPTION))
    (speed,) = struct.unpack(f"{order}Q", options.get(_SPEED, bytes(8)))
    (offset,) = struct.unpack(f"{order}q", options.get(_OFFSET, bytes(8)))
    resolution = options.get(_RESOLUTION, bytes([_MICROSECOND]))[0]
    power = resolution & 0x7F
    per_second = 2**power if resolution & 0x80 else 10**power
    return _Described(Interface(link_type, name, description, speed), per_second, offset)


def _packet(body: bytes, order: str, interfaces: list[_Described]) -> Packet:
    number, high, low, length, _ = struct.unpack(f"{order}5I", body[:20])
    if length > len(body) - 20:
        raise struct.error
    options = list(_options(body[20 + length + -length % 4 :], order))
    named = dict(options)
    (flags,) = struct.unpack(f"{order}I", named.get(_FLAGS, bytes(4)))
    where = interfaces[number]
    known = flags & 3 in (Direction.INBOUND, Direction.OUTBOUND)
    return Packet(
        where.interface,
        where.microseconds(high << 32 | low),
        body[20 : 20 + length],
        Direction(flags & 3) if known else Direction.UNKNOWN,
        bool(flags & _SYMBOL_ERROR),
        _text(named.get(_COMMENT, b"")),
        tuple((code, value) for code, value in options if code >= LOCAL),
    )

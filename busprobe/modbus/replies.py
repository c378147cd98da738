"""Replies judged, not just decoded: what exactly came back, and what it is worth.

The order of the tests follows from how frames go wrong in practice: first the address and function
code asked for, then the length the reply declares, then its CRC.  Looking for any window with a
right CRC would find frames inside longer ones (one window in 65536 fits by chance).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import StrEnum

from pymodbus.exceptions import ModbusException

from busprobe.line.exchange import Exchange
from busprobe.modbus import framing
from busprobe.modbus.requests import REPLY_OVERHEAD, Function, Request
from busprobe.text import hex_bytes


class Verdict(StrEnum):
    """What a reply is, in the words used on screen and in files."""

    OK = "ok"
    OK_AFTER_STRAY_BYTES = "ok after junk"
    EXCEPTION = "exception"
    NOT_CONFORMING = "frame ok, not conforming"
    FOREIGN = "answered as other address"
    CRC_SWAPPED = "CRC swapped"
    CRC_BAD_HEAD_OK = "CRC bad, head ok"
    CRC_BAD = "CRC bad"
    GARBAGE = "garbage"
    SILENT = "silent"


EXCEPTION_NAMES = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes by the standard's names (MODBUS Application Protocol V1.1b3, section 7)."""

_TOLD = framing.LONGEST
"""Bytes that are told of what came back: no frame is longer."""

_REFUSALS = (1, 2, 3)
"""Exceptions that say a unit does not have the function, register or quantity asked for."""

GATEWAY_EXCEPTIONS = (10, 11)
"""Sent by a gateway in place of a unit that did not answer: no presence."""


def exception_name(code: int) -> str:
    """An exception code with its name: ``2, illegal data address``."""
    return f"{code}, {EXCEPTION_NAMES.get(code, 'not in the standard')}"


@dataclass(frozen=True)
class Reply:
    """One exchange judged."""

    request: Request
    exchange: Exchange
    verdict: Verdict
    frame: bytes = b""
    """The frame the verdict is about, CRC included; empty where there is none."""
    stray_before: bytes = b""
    """Bytes ahead of the frame."""
    stray_after: bytes = b""
    """Bytes behind the frame."""

    @property
    def address(self) -> int | None:
        """Who answered, by the frame's own address; None without a frame."""
        return self.frame[0] if self.frame else None

    @property
    def latency(self) -> float | None:
        """Seconds from the end of the request to the first byte of the frame, junk ahead of it
        passed over.

        A chunk is stamped when its last byte was there, so the wire time of its bytes from the
        frame on is taken off. None without a frame.
        """
        ahead = len(self.stray_before)
        for chunk in self.exchange.chunks if self.frame else ():
            if ahead < len(chunk.data):
                began = chunk.began(self.exchange.settings, ahead=ahead)
                return max(0.0, began - self.exchange.sent)
            ahead -= len(chunk.data)
        return None

    @property
    def valid(self) -> bool:
        """Whether the asked unit did what was asked and said so in a conforming frame."""
        return self.verdict in (Verdict.OK, Verdict.OK_AFTER_STRAY_BYTES)

    @property
    def present(self) -> bool:
        """Whether a unit at the asked address has shown itself: any valid frame of its own,
        exceptions included.

        A gateway's word that its target failed to respond is no presence.
        """
        if self.verdict is Verdict.EXCEPTION:
            return self.exception not in GATEWAY_EXCEPTIONS
        return self.valid or self.verdict is Verdict.NOT_CONFORMING

    @property
    def exception(self) -> int | None:
        """The exception code if the unit answered with one."""
        return self.frame[2] if self.verdict is Verdict.EXCEPTION else None

    @property
    def refused(self) -> bool:
        """Whether the unit said that it does not have what was asked (V1.1b3 section 7)."""
        return self.exception in _REFUSALS

    @property
    def registers(self) -> tuple[int, ...]:
        """The registers of a valid reply to a read, or its coils and inputs as 0 and 1, the first
        in the lowest bit (V1.1b3 sections 6.1 and 6.2); empty otherwise."""
        if self.valid and self.request.function.reads_bits:
            bits = int.from_bytes(self.frame[3:-2], "little")
            return tuple(bits >> place & 1 for place in range(self.request.quantity))
        if not self.valid or not self.request.function.reads_registers:
            return ()
        return struct.unpack(f">{self.frame[2] // 2}H", self.frame[3:-2])

    @property
    def words(self) -> str:
        """The verdict in one plain sentence, with the bytes."""
        received = self.exchange.received
        if not received:
            return f"no reply within {1000 * (self.exchange.ended - self.exchange.sent):.0f} ms"
        text = str(self.verdict)
        if self.exception is not None:
            text = f"exception {exception_name(self.exception)}"
        elif self.verdict is Verdict.FOREIGN:
            text = f"asked {self.request.address}, answered as {self.address}"
        more = len(received) - _TOLD
        rest = f" and {more} bytes more" if more > 0 else ""
        return f"{text}: {hex_bytes(received[:_TOLD])}{rest}"


def judge(request: Request, exchange: Exchange) -> Reply:
    """Judge what came back in `exchange`; total: any bytes give a verdict."""
    received = exchange.received
    if not received:
        return Reply(request, exchange, Verdict.SILENT)
    own = [i for i in range(len(received)) if received[i] == request.address]
    for start in own:
        frame = framing.declared_frame(received[start:], request.function)
        if frame is not None:
            return _framed(request, exchange, _own_verdict(request, frame, start), start, frame)
    # Units miscount their own bytes: a frame that ends where the bytes end and whose CRC fits is
    # one all the same.
    for start in own:
        frame = received[start:]
        if _has_head(request, frame) and framing.is_valid(frame):
            return _framed(request, exchange, _miscounted_verdict(request, frame), start, frame)
    foreign = _foreign(request, exchange)
    if foreign is not None:
        return foreign
    for start in own:
        frame = received[
            start : start + (framing.declared_length(received[start:], request.function) or 0)
        ]
        if len(frame) >= framing.SHORTEST and frame[-2:] == framing.crc(frame[:-2])[::-1]:
            return _framed(request, exchange, Verdict.CRC_SWAPPED, start, frame)
    for start in own:
        if _has_head(request, received[start:]):
            return Reply(
                request,
                exchange,
                Verdict.CRC_BAD_HEAD_OK,
                received[start:],
                stray_before=received[:start],
            )
    if len(received) == expected_length(request):
        return Reply(request, exchange, Verdict.CRC_BAD)
    return Reply(request, exchange, Verdict.GARBAGE)


def expected_length(request: Request) -> int | None:
    """Bytes of a conforming positive reply to `request`; None where the unit decides
    (identification)."""
    match request.function:
        case Function.REPORT_SERVER_ID | Function.READ_DEVICE_IDENTIFICATION:
            return None
        case function if function.reads_registers or function.reads_bits:
            return REPLY_OVERHEAD + request.data_bytes
        case _:
            return 8


def _foreign(request: Request, exchange: Exchange) -> Reply | None:
    """A valid reply to the same function code from an address that was not asked."""
    received = exchange.received
    for start in range(len(received)):
        frame = framing.declared_frame(received[start:], request.function)
        if frame is not None:
            return _framed(request, exchange, Verdict.FOREIGN, start, frame)
    return None


def _framed(
    request: Request, exchange: Exchange, verdict: Verdict, start: int, frame: bytes
) -> Reply:
    received = exchange.received
    return Reply(
        request,
        exchange,
        verdict,
        frame,
        stray_before=received[:start],
        stray_after=received[start + len(frame) :],
    )


def _has_head(request: Request, data: bytes) -> bool:
    return len(data) >= 2 and data[0] == request.address and data[1] & 0x7F == request.function


def _own_verdict(request: Request, frame: bytes, start: int) -> Verdict:
    if frame[1] & framing.EXCEPTION_FLAG:
        return Verdict.EXCEPTION
    if not _conforms(request, frame):
        return Verdict.NOT_CONFORMING
    return Verdict.OK_AFTER_STRAY_BYTES if start else Verdict.OK


def _miscounted_verdict(request: Request, frame: bytes) -> Verdict:
    """Identification replies with a wrong object count are common and readable (errata of V1.1b3
    section 6.21)."""
    if request.function is Function.READ_DEVICE_IDENTIFICATION and _conforms(request, frame):
        return Verdict.OK
    return Verdict.NOT_CONFORMING


def _conforms(request: Request, frame: bytes) -> bool:
    """Whether a valid positive reply says what the request asked for, and no less."""
    expected = expected_length(request)
    if expected is not None and len(frame) != expected:
        return False
    match request.function:
        case Function.WRITE_SINGLE_REGISTER | Function.DIAGNOSTICS:
            return frame == request.frame
        case Function.WRITE_MULTIPLE_REGISTERS:
            return frame[2:6] == request.frame[2:6]
        case Function.READ_DEVICE_IDENTIFICATION:
            return frame[2] == request.frame[2] and _decodes(request, frame)
        case Function.REPORT_SERVER_ID:
            return _decodes(request, frame)
        case _:
            return frame[2] == request.data_bytes


def _decodes(request: Request, frame: bytes) -> bool:
    try:
        framing.RESPONSES[request.function]().decode(frame[2:-2])
    except (ModbusException, struct.error, IndexError):
        return False
    return True

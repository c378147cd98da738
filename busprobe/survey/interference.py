"""What is received that is no reply: pulses, our own transmission in pieces, and frames of other
devices."""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.line.echo import without_echo
from busprobe.line.exchange import PULSES
from busprobe.modbus import framing
from busprobe.modbus.replies import GATEWAY_EXCEPTIONS, Reply, Verdict, expected_length
from busprobe.modbus.requests import READ_REQUEST_BYTES, Function, Request
from busprobe.modbus.traffic import Frame, valid_frames

BAD = (Verdict.CRC_BAD, Verdict.CRC_BAD_HEAD_OK, Verdict.GARBAGE)
"""Verdicts on bytes that are no frame."""
OVERLONG = 3
"""Bytes beyond a whole reply that pulses and a wrong bit or two do not explain."""
STRAY = 2
"""Bytes that pulses do not explain."""


def answer(reply: Reply) -> bytes:
    """All that came back, less what an adapter gave back of the request itself."""
    return without_echo(reply.request.frame, reply.exchange.received)


def stray_bytes(data: bytes) -> int:
    """How many bytes of `data` are left when pulses before and behind are taken off."""
    return len(data.strip(PULSES))


def is_silence(reply: Reply) -> bool:
    """Whether nothing came back, save perhaps a few pulses or pieces of the request."""
    if reply.verdict not in BAD:
        return reply.verdict is Verdict.SILENT
    data = answer(reply)
    return len(data) < framing.SHORTEST and stray_bytes(data) < STRAY


def is_damaged(reply: Reply) -> bool:
    """Whether bytes came back that are no frame."""
    return reply.verdict in BAD and not is_silence(reply)


def is_unexplained(reply: Reply) -> bool:
    """Whether bytes came back that are neither a frame nor another device's."""
    return is_damaged(reply) and not other_frames(reply)


def has_stray_bytes(reply: Reply) -> bool:
    """Whether a valid reply came with more bytes around it than pulses and a wrong bit or two
    explain."""
    before = without_echo(reply.request.frame, reply.stray_before)
    return reply.present and stray_bytes(before) + stray_bytes(reply.stray_after) >= OVERLONG


def is_start_cut_off(reply: Reply) -> bool:
    """Whether a reply was corrupted at its start only: with the bytes that must have stood there
    its CRC is right.

    An adapter does this that switches from transmit to receive too late, and a unit that answers
    too fast for it.
    """
    return bytes_missing_at_start(reply) is not None


def bytes_missing_at_start(reply: Reply) -> int | None:
    """How many bytes of a truncated start were not received at all; 0 where wrong ones stand in
    their place."""
    if reply.verdict not in BAD:
        return None
    length = expected_length(reply.request)
    data = reply.exchange.received
    address, function = reply.request.address, reply.request.function
    heads = [(bytes((address, function | framing.EXCEPTION_FLAG)), framing.EXCEPTION_BYTES)]
    if reply.request.data_bytes and length is not None:
        heads.append((bytes((address, function, reply.request.data_bytes)), length))
    for head, whole in heads:
        tail = whole - len(head)
        if tail <= len(data) < whole + STRAY and framing.is_valid(head + data[-tail:]):
            return max(whole - len(data), 0)
    return None


def is_altered_echo(reply: Reply) -> bool:
    """Whether pieces of our own transmission came back."""
    return bool(reply.exchange.received) and answer(reply) != reply.exchange.received


def is_gateway_exception(frame: Frame) -> bool:
    """Whether `frame` says that a gateway cannot reach the unit asked, which is no word of that
    unit."""
    return frame.is_exception and frame.data[2] in GATEWAY_EXCEPTIONS


def foreign_frames(replies: Iterable[Reply]) -> tuple[Frame, ...]:
    """Valid frames in and around the exchanges that can answer none of their requests: those of
    other devices."""
    found: list[Frame] = []
    asked: set[tuple[int, int | None]] = set()
    for reply in replies:
        asked.add(_expected(reply.request))
        found.extend(
            f
            for f in other_frames(reply)
            if f.address != reply.request.address or not _answers(f, asked)
        )
        if reply.verdict is Verdict.FOREIGN:
            found.append(Frame(reply.frame))
    return tuple(found)


def extra_frames(replies: Iterable[Reply]) -> list[tuple[Frame, ...]]:
    """For each exchange, valid frames of the asked address that came with the reply: late, or a
    second unit's."""
    extras = []
    asked: set[tuple[int, int | None]] = set()
    for reply in replies:
        asked.add(_expected(reply.request))
        own = (f for f in other_frames(reply) if f.address == reply.request.address)
        extras.append(tuple(f for f in own if _answers(f, asked)))
    return extras


def can_answer(frame: Frame, request: Request) -> bool:
    """Whether `frame` can be a reply to `request` by its address, function code and length."""
    return frame.address == request.address and fits(frame, request)


def fits(frame: Frame, request: Request) -> bool:
    """Whether `frame` can be a reply to `request` but for its address."""
    return _answers(frame, {_expected(request)})


def _expected(request: Request) -> tuple[int, int | None]:
    return request.function, expected_length(request)


def _answers(frame: Frame, asked: set[tuple[int, int | None]]) -> bool:
    """Whether `frame` can be a reply to one of our requests, rather than one of another master's
    exchanges."""
    if frame.is_exception:
        return any(function == frame.function for function, _ in asked)
    return (frame.function, len(frame.data)) in asked or (frame.function, None) in asked


def holds_request(reply: Reply) -> bool:
    """Whether what came back holds a read request to the asked address: another master asks
    there."""
    frames = [
        *other_frames(reply),
        *([Frame(reply.frame)] if reply.verdict is Verdict.NOT_CONFORMING else []),
    ]
    return any(
        frame.address == reply.request.address
        and frame.data[1] in (Function.READ_HOLDING_REGISTERS, Function.READ_INPUT_REGISTERS)
        and len(frame.data) == READ_REQUEST_BYTES
        for frame in frames
    )


def other_frames(reply: Reply) -> list[Frame]:
    """Valid frames received beside the one that the verdict is about."""
    outside = [reply.exchange.leftover, reply.stray_before, reply.stray_after]
    if reply.verdict in BAD:
        outside = [reply.exchange.leftover, reply.exchange.received]
    return [frame for data in outside for frame in valid_frames(data)]

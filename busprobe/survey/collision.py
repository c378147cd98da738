"""What a receiver makes of two replies that overlap, worked out bit by bit.

Two drivers that disagree read as space (0): V1.02 section 3.4 has the idle pair biased to mark,
and any driver that takes it to space is seen (common practice for wired pairs of RS-485).  The
receiver is an ideal one that looks at the middle of each bit, counted from the falling edge of
the start bit.
"""

from __future__ import annotations

from functools import lru_cache

from busprobe.line.settings import LineSettings, Parity

_STEPS = 8
"""Steps into which a bit is divided."""


@lru_cache(maxsize=256)
def overlaps(first: bytes, second: bytes, settings: LineSettings) -> frozenset[bytes]:
    """All that is received where `second` begins while `first` is still on the wire, for any such
    delay.

    What comes out as one of the two unharmed is left out.
    """
    one, other = (_bits(frame, settings) for frame in (first, second))
    length = (len(one) + len(other)) * _STEPS
    found = set()
    for delay in range(len(one) * _STEPS):
        level = _levels(one, 0, length) & _levels(other, delay, length)
        found.add(_receive(level, length, settings))
    return frozenset(found - {first, second})


def _bits(frame: bytes, settings: LineSettings) -> list[int]:
    """The bits of `frame` as they go on the wire, start and stop bits included."""
    bits = []
    for byte in frame:
        data = [byte >> i & 1 for i in range(settings.data_bits)]
        parity = (
            []
            if settings.parity is Parity.NONE
            else [(sum(data) + (settings.parity is Parity.ODD)) % 2]
        )
        bits += [0, *data, *parity, *[1] * settings.stop_bits]
    return bits


def _levels(bits: list[int], delay: int, length: int) -> int:
    """The line as a number, one binary digit a step, first step lowest; mark where nothing is
    sent."""
    level = (1 << length) - 1
    step = (1 << _STEPS) - 1
    for index, bit in enumerate(bits):
        if not bit:
            level &= ~(step << (delay + index * _STEPS))
    return level


def _receive(level: int, length: int, settings: LineSettings) -> bytes:
    """The bytes a receiver gathers from `level`."""
    received = bytearray()
    at = 0
    high = True
    while at < length:
        now = level >> at & 1
        if not (high and not now):
            high = bool(now)
            at += 1
            continue
        middle = at + _STEPS // 2
        if level >> middle & 1:  # too short for a start bit
            high, at = True, middle + 1
            continue
        byte = 0
        for index in range(settings.data_bits):
            byte |= (level >> (middle + (1 + index) * _STEPS) & 1) << index
        received.append(byte)
        after = 1 + settings.data_bits + (settings.parity is not Parity.NONE)
        at = middle + after * _STEPS
        high = at >= length or bool(level >> at & 1)
    return bytes(received)

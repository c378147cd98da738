"""What bytes give away about the wire they came over, when they form no frame.

Follows from how a receiver samples characters (MODBUS over Serial Line V1.02, section 2.5.1): a
receiver k times too fast sees every bit k times, so that levels last multiples of k; an inverted
pair turns the many zeros of register data into ones; an adapter that stops driving mid-byte can
only add ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from math import gcd

from busprobe.modbus import framing

FASTEST = 8
"""How many times too fast a receiver may be and still see edges inside a byte; beyond it every byte
is 00."""

_TELLING = 4
"""Bytes with an edge inside that are needed before a pattern counts."""

_MANY_ONES = 5.0
"""Mean count of ones a byte: random bytes have 4, register data and addresses fewer."""

_NOT_FEW_ONES = 3.5
"""The same for bits seen several times each, where the complement's ones are cut short by its
spaces."""

_LONGEST_CUT = 3
"""Bytes that a late turn-round may eat: at 115200 baud about 0.3 ms."""


def times_too_fast(data: bytes) -> int | None:
    """How many times too fast the receiver of `data` is; None if that is not what it looks like.

    Every byte begins at an edge, so all levels in it but the last (cut by the stop bit) last whole
    sent bits.
    """
    runs = [run for run in (_runs(value) for value in data) if run]
    if len(runs) < _TELLING:
        return None
    ratio = gcd(*(length for run in runs for length in run))
    return ratio if ratio > 1 else None


def complement_like(data: bytes, *, too_fast: bool = False) -> bool:
    """Whether `data` looks like the complement of register data: mostly ones, but not FF alone.

    `too_fast` says that the receiver is: then less is needed, as only few ones speak for an upright
    pair.
    """
    if len(data) < _TELLING or set(data) <= {0x00, 0xFF}:
        return False
    return sum(value.bit_count() for value in data) / len(data) >= (
        _NOT_FEW_ONES if too_fast else _MANY_ONES
    )


def single_pulses(data: bytes) -> bool:
    """Whether each byte is one pulse from its start bit on, as stray disturbances of an idle pair
    are."""
    return all(len(_runs(value)) <= 1 for value in data)


def ones_added(sent: bytes, heard: bytes) -> bool:
    """Whether `heard` begins with an echo of `sent` in which ones, and only ones, were added."""
    echo = heard[: len(sent)]
    if len(echo) < len(sent) or echo == sent or echo.count(0xFF) > len(sent) // 2:
        return False
    return all(there & was == was for there, was in zip(echo, sent, strict=True))


def tail_missing(sent: bytes, heard: bytes) -> bool:
    """Whether `heard` is an echo of `sent` that lacks or garbles its last byte or two."""
    return any(
        heard.startswith(sent[:-missing]) and not heard.startswith(sent) and len(heard) <= len(sent)
        for missing in (1, 2)
    )


def mended_front(heads: Sequence[bytes], heard: bytes, function: int) -> bytes | None:
    """The reply to `function` of which `heard` is what is left, its first bytes missing or wrong.

    `heads` are the first bytes that a sound reply may have.  None if none of them gives `heard` a
    right CRC and the length it declares.
    """
    for lost in range(1, _LONGEST_CUT + 1):
        for head in heads:
            for wrong in range(lost + 1):
                mended = head[:lost] + heard[wrong:]
                if mended != heard and framing.declared_frame(mended, function) == mended:
                    return mended
    return None


def _runs(value: int) -> list[int]:
    """Lengths in bits of the levels in a received byte from its start bit on, without the last,
    unfinished one."""
    bits = [0, *(value >> place & 1 for place in range(8))]
    return [len(list(group)) for _, group in groupby(bits)][:-1]

"""Characters as levels on the pair, and levels read back as characters.

Levels are strings of four symbols, one for each bit time: ``1`` mark (idle, stop, one bits), ``0``
space (start and zero bits), ``f`` a pair that nobody drives and no bias holds, ``i`` a pair at
rest. Sources: MODBUS over Serial Line V1.02, section 2.5.1 (characters) and 3.2 (mark and space);
the sampling rule is that of a UART that samples each bit in its middle and resynchronises at each
falling edge (common practice).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import itemgetter
from typing import NamedTuple

from busprobe.line.settings import LineSettings, Parity

MARK = "1"
SPACE = "0"
FLOATING = "f"
RESTING = "i"

_COMPLEMENT = str.maketrans("01", "10")

SAME_MOMENT = 1e-9
"""Seconds by which a sample may miss an edge and still see the level that begins there; an edge and
a sample that fall together differ by rounding alone."""


class Character(NamedTuple):
    """One character that a receiver has made out."""

    start: float
    """Clock seconds of its start bit's edge."""
    end: float
    """Clock seconds at which its last stop bit is over by the receiver's own settings."""
    value: int
    bad: bool
    """Flagged by the receiver: wrong parity, no stop bit, or a break."""


@dataclass(frozen=True)
class ReceiverSetup:
    """How a receiver is set and wired: all receivers that are alike in this hear the same."""

    settings: LineSettings
    swapped: bool = False
    """Whether the two wires of the pair are exchanged at this receiver."""
    failsafe: bool = True
    """Whether the receiver reads a pair near 0 V as mark, as modern transceivers do."""

    def levels(self, symbols: str, *, biased: bool) -> str:
        """What the receiver makes of `symbols` on the pair: a string of ``0`` and ``1`` of the same
        length."""
        return symbols.translate(_hearing(self.swapped, self.failsafe, biased))


@lru_cache
def _hearing(swapped: bool, failsafe: bool, biased: bool) -> dict[int, str]:
    mark, space = (SPACE, MARK) if swapped else (MARK, SPACE)
    return str.maketrans(
        {
            MARK: mark,
            SPACE: space,
            FLOATING: MARK if failsafe else SPACE,
            RESTING: mark if biased else MARK,
        }
    )


def complement(symbols: str) -> str:
    """`symbols` as they come out of a driver whose two wires are exchanged."""
    return symbols.translate(_COMPLEMENT)


def character_levels(data: bytes, settings: LineSettings) -> str:
    """The levels of `data` sent back to back: start bit, data bits lowest first, parity bit, stop
    bits."""
    table = _character_table(settings.data_bits, settings.parity, settings.stop_bits)
    return "".join([table[byte] for byte in data])


@lru_cache
def _character_table(data_bits: int, parity: Parity, stop_bits: int) -> tuple[str, ...]:
    table = []
    for byte in range(256):
        bits = "".join(str(byte >> place & 1) for place in range(data_bits))
        if parity is not Parity.NONE:
            bits += str((bits.count("1") + (parity is Parity.ODD)) % 2)
        table.append(SPACE + bits + MARK * stop_bits)
    return tuple(table)


def read_grid(
    levels: str, *, idle: str, sent_baud: int, heard: LineSettings
) -> Iterator[tuple[int, int, bool]]:
    """Read `levels` of one sender, one level a bit of `sent_baud`, with `idle` before and after.

    Yields for each character the index of its start bit, its value and whether it is bad.  The same
    as `read_edges` on the same levels, only faster.
    """
    samples = _samples(sent_baud, heard)
    span = samples.last + 1
    text = idle + levels + idle * (span + 1)
    position = 0
    while (edge := text.find("10", position, len(levels) + 2)) >= 0:
        start = edge + 1
        bits = samples.pick(text[start : start + span])
        if bits[0] == MARK:  # gone by the middle of the start bit: a spike, no character
            position = start + samples.first
            continue
        position = start + samples.last
        value, bad = _judged("".join(bits), heard.data_bits, heard.parity)
        yield start - 1, value, bad


def read_edges(
    times: Sequence[float], levels: Sequence[str], *, idle: str, since: float, heard: LineSettings
) -> Iterator[tuple[Character, float]]:
    """Read a waveform given by its change points: from `times[i]` on the level is `levels[i]`,
    before that `idle`.

    The receiver looks for an edge from `since` on.  Yields each character and the moment from which
    the receiver looks for the next edge: just after it has sampled the stop bit, so that an edge
    that falls on that sample is over.
    """
    count = _sample_count(heard)
    bit = heard.bit_time

    def level(moment: float) -> str:
        index = bisect_right(times, moment + SAME_MOMENT) - 1
        return levels[index] if index >= 0 else idle

    index = bisect_right(times, since - SAME_MOMENT)
    while index < len(times):
        before = levels[index - 1] if index else idle
        if not (before == MARK and levels[index] == SPACE):
            index += 1
            continue
        start = times[index]
        sampled = start + 0.5 * bit
        if level(sampled) == SPACE:
            bits = "".join([level(start + (place + 0.5) * bit) for place in range(count)])
            sampled = start + (count - 0.5) * bit
            value, bad = _judged(bits, heard.data_bits, heard.parity)
            yield (
                Character(start, start + heard.character_time, value, bad),
                sampled + 2 * SAME_MOMENT,
            )
        index = bisect_right(times, sampled + SAME_MOMENT)


def _sample_count(heard: LineSettings) -> int:
    """Start, data, parity and the first stop bit; a receiver looks at no second one."""
    return 2 + heard.data_bits + (heard.parity is not Parity.NONE)


class _Samples(NamedTuple):
    pick: Callable[[str], tuple[str, ...]]
    first: int
    last: int


@lru_cache(maxsize=1024)
def _samples(sent_baud: int, heard: LineSettings) -> _Samples:
    """The sender's bits, counted from a start bit's edge, in which the middles of the receiver's
    bits fall.

    In whole numbers, so that a sample that falls on an edge always sees the bit that begins there.
    """
    indexes = [
        (2 * place + 1) * sent_baud // (2 * heard.baud) for place in range(_sample_count(heard))
    ]
    return _Samples(itemgetter(*indexes), indexes[0], indexes[-1])


@lru_cache(maxsize=8192)
def _judged(bits: str, data_bits: int, parity: Parity) -> tuple[int, bool]:
    """Value and badness of the sampled `bits` of a character, start bit first."""
    data = bits[1 : 1 + data_bits]
    framing = bits[-1] != MARK  # a break is all space, its stop bit too
    wrong = parity is not Parity.NONE and (bits[1:-1].count("1") + (parity is Parity.ODD)) % 2 == 1
    return int(data[::-1], 2), framing or wrong

"""Several drivers on one pair."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.settings import LineSettings, Parity
from busprobe.virtual import uart
from busprobe.virtual.uart import Character, ReceiverSetup
from busprobe.virtual.waveform import Receiver, Transmission, Waveform

LINE = LineSettings.parse("9600-8N1")
FIRST = bytes.fromhex("010302012CB809")
SECOND = bytes.fromhex("01030201317800")


def transmission(
    data: bytes, start: float, *, line: LineSettings = LINE, strength: int = 1
) -> Transmission:
    return Transmission(object(), start, line.baud, uart.character_levels(data, line), strength)


def values(characters: list[Character]) -> str:
    return bytes(c.value for c in characters).hex(" ").upper()


def test_two_replies_at_once_read_as_their_and() -> None:
    """Unit, function code and count survive, data and CRC do not (the rule of two equally strong
    drivers)."""
    pair = Waveform()
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(transmission(FIRST, 1.0))
    pair.add(transmission(SECOND, 1.0))
    assert values(receiver.advance(2.0)) == "01 03 02 01 20 38 00"


def test_the_stronger_driver_decides() -> None:
    pair = Waveform()
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(transmission(FIRST, 1.0))
    pair.add(transmission(SECOND, 1.0, strength=2))
    assert values(receiver.advance(2.0)) == SECOND.hex(" ").upper()


def test_replies_are_corrupted_exactly_where_they_overlap() -> None:
    """The second begins with the fifth character of the first; four come out whole, and so do its
    own last four."""
    pair = Waveform()
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(transmission(FIRST, 1.0))
    pair.add(transmission(SECOND, 1.0 + 4 * LINE.character_time))
    heard = bytes(c.value for c in receiver.advance(2.0))
    assert heard[:4] == FIRST[:4]
    assert heard[4:7] == bytes(a & b for a, b in zip(FIRST[4:], SECOND[:3], strict=True))
    assert heard[7:] == SECOND[3:]


def test_a_receiver_is_deaf_while_its_own_driver_sends() -> None:
    pair = Waveform()
    own = transmission(FIRST, 1.0)
    deaf = Receiver(pair, ReceiverSetup(LINE), 0.0, deaf_to=own.driver)
    hearing = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(own)
    pair.add(transmission(SECOND, 1.1))
    assert values(deaf.advance(2.0)) == SECOND.hex(" ").upper()
    assert values(hearing.advance(2.0)) == (FIRST + SECOND).hex(" ").upper()


def test_the_end_of_a_collision_is_heard_after_the_own_transmission() -> None:
    """Somebody else begins while we send and goes on after us: only what begins after our end can
    be right."""
    pair = Waveform()
    own = transmission(b"\x55\x55", 1.0)
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0, deaf_to=own.driver)
    pair.add(own)
    pair.add(transmission(b"\x00" * 2 + b"\xff\x31\x32", 1.0 + LINE.character_time))
    assert values(receiver.advance(2.0)).endswith("31 32")
    assert all(c.start >= own.end - 1e-9 for c in receiver.advance(3.0))


def test_a_glitch_after_the_own_transmission_reads_as_one_byte_00() -> None:
    pair = Waveform()
    own = transmission(FIRST, 1.0)
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0, deaf_to=own.driver, glitch=True)
    pair.add(own)
    pair.add(transmission(SECOND, 1.1))
    assert values(receiver.advance(2.0)) == "00 " + SECOND.hex(" ").upper()


def test_characters_come_when_they_are_complete() -> None:
    pair = Waveform()
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(transmission(b"\x31\x32", 1.0))
    first_end = 1.0 + LINE.character_time
    assert receiver.advance(first_end - 1e-6) == []
    assert receiver.next is not None
    assert receiver.next.end == pytest.approx(first_end)
    assert values(receiver.advance(first_end + 1e-6)) == "31"
    assert values(receiver.advance(2.0)) == "32"
    assert receiver.next is None


def test_what_no_receiver_needs_is_forgotten() -> None:
    pair = Waveform()
    receiver = Receiver(pair, ReceiverSetup(LINE), 0.0)
    pair.add(transmission(FIRST, 1.0))
    pair.forget(receiver.needs)
    assert len(pair.transmissions) == 1
    receiver.advance(2.0)
    pair.forget(receiver.needs)
    assert not pair.transmissions


def oracle(sent: list[tuple[Fraction, int, str]], line: LineSettings) -> list[tuple[int, bool]]:
    """A UART written down in the plainest way, in exact fractions: an independent second opinion.

    A sample that falls on an edge sees the level after it, and that edge is over for the receiver.
    """

    def level(moment: Fraction) -> str:
        seen = [
            symbols[int((moment - start) * baud)]
            for start, baud, symbols in sent
            if start <= moment < start + Fraction(len(symbols), baud)
        ]
        return "0" if "0" in seen else "1"

    edges = sorted(
        {
            start + Fraction(n, baud)
            for start, baud, symbols in sent
            for n in range(len(symbols) + 1)
        }
    )
    heard: list[tuple[int, bool]] = []
    free = Fraction(0)
    tiny = Fraction(1, 10**12)
    for edge in edges:
        if edge <= free or level(edge - tiny) != "1" or level(edge) != "0":
            continue
        free = edge + Fraction(1, 2 * line.baud)
        if level(free) == "1":
            continue
        parity = line.parity is not Parity.NONE
        count = 2 + line.data_bits + parity
        bits = [int(level(edge + Fraction(2 * n + 1, 2 * line.baud))) for n in range(count)]
        free = edge + Fraction(2 * count - 1, 2 * line.baud)
        value = sum(bit << n for n, bit in enumerate(bits[1 : 1 + line.data_bits]))
        wrong = parity and sum(bits[1:-1]) % 2 != (line.parity is Parity.ODD)
        heard.append((value, bool(wrong) or not bits[-1]))
    return heard


some_settings = st.sampled_from(
    [LineSettings.parse(s) for s in ("9600-8N1", "9600-8E1", "19200-8N1", "57600-8O1")]
)
pieces = st.lists(
    st.tuples(st.binary(min_size=1, max_size=4), some_settings, st.integers(0, 60)), max_size=4
)


@given(pieces, some_settings, st.lists(st.integers(1, 400), max_size=12))
@settings(max_examples=60)
def test_any_traffic_reads_as_a_plain_uart_reads_it(
    traffic: list[tuple[bytes, LineSettings, int]], line: LineSettings, steps: list[int]
) -> None:
    """Overlapping or not, asked for at once or in steps while transmissions come in: always the
    same characters."""
    unit = Fraction(1, 3 * 7 * 9600)  # no start falls on a sample of another
    begin, sent, pair = Fraction(1), [], Waveform()
    receiver = Receiver(pair, ReceiverSetup(line), 0.0)
    pauses = iter(steps)
    heard: list[Character] = []
    for data, settings_, gap in traffic:
        begin += gap * 13 * unit
        heard += receiver.advance(float(begin))
        symbols = uart.character_levels(data, settings_)
        sent.append((begin, settings_.baud, symbols))
        pair.add(Transmission(object(), float(begin), settings_.baud, symbols))
        step = next(pauses, 1)
        heard += receiver.advance(float(begin))
        begin += step * unit
    heard += receiver.advance(math.inf)
    assert [(c.value, c.bad) for c in heard] == oracle(sent, line)

"""Characters on the wire and what receivers make of them, against published tables."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.virtual import uart
from busprobe.virtual.uart import ReceiverSetup

REQUEST = bytes.fromhex("010300000001840A")
"""Read one register of unit 1: the frame of the tables below."""


def heard(sent: str, receiver: str, data: bytes = REQUEST, *, swapped: bool = False) -> str:
    """What `receiver` makes of `data`, bad characters marked with an exclamation mark."""
    transmitter, settings = LineSettings.parse(sent), LineSettings.parse(receiver)
    listening = ReceiverSetup(settings, swapped=swapped)
    levels = listening.levels(uart.character_levels(data, transmitter), biased=True)
    idle = listening.levels(uart.RESTING, biased=True)
    read = uart.read_grid(levels, idle=idle, sent_baud=transmitter.baud, heard=settings)
    return " ".join(f"{value:02X}" + "!" * bad for _, value, bad in read)


@pytest.mark.parametrize(
    ("sent", "receiver", "expected"),
    [
        # Computed for an ideal mid-bit sampler that waits for the next falling edge; no hardware
        # seen.
        ("9600-8E1", "19200-8E1", "06! 1E! 00! 00! 00! 06! 60! 86! 00"),
        ("9600-8E1", "38400-8E1", "78! F8 00! 00! 00! 00! 78! 00! 00! 78! 78!"),
        ("9600-8E1", "115200-8E1", " ".join(["00!"] * 15)),
        ("9600-8N1", "19200-8N1", "06! 1E! 00! 00! 00! 06! 60! 98 80"),
        ("9600-8E1", "9600-8N1", "01 03! 00! 00! 00! 01 84! 0A!"),
        ("9600-8E1", "9600-8O1", "01! 03! 00! 00! 00! 01! 84! 0A!"),
        ("9600-8O1", "9600-8N1", "01! 03 00 00 00 01! 84 0A"),
        ("9600-8N2", "9600-8N1", "01 03 00 00 00 01 84 0A"),
        ("9600-8N2", "9600-8E1", "01 03! 00! 00! 00! 01 84! 0A!"),
        ("9600-8N2", "9600-8O1", "01! 03 00 00 00 01! 84 0A"),
        ("9600-8N1", "9600-8E1", "01! 20! 00! 01! 98! F8"),
    ],
)
def test_a_wrongly_set_receiver_sees_what_the_table_says(
    sent: str, receiver: str, expected: str
) -> None:
    assert heard(sent, receiver) == expected


@pytest.mark.parametrize("receiver", ["2400-8E1", "4800-8E1"])
def test_a_slower_receiver_sees_a_few_wrong_bytes(receiver: str) -> None:
    """Samples fall on the sender's edges, so that only the number is certain: 2 to 4."""
    assert 2 <= len(heard("9600-8E1", receiver).split()) <= 4


@pytest.mark.parametrize(
    ("times_faster", "allowed"),
    [(4, {"78", "F8", "00", "80"}), (6, {"E0", "00"}), (8, {"80", "00"}), (12, {"00"})],
)
def test_each_ratio_has_its_own_alphabet(times_faster: int, allowed: set[str]) -> None:
    """Field captures show E0 and 00 at six times the baud rate, 80 and 00 at eight times, breaks
    above nine times."""
    bytes_heard = heard("9600-8N1", f"{9600 * times_faster}-8N1").replace("!", "").split()
    assert set(bytes_heard) <= allowed
    assert len(bytes_heard) >= len(REQUEST)


@pytest.mark.parametrize(
    ("data", "receiver", "expected"),
    [("00", "19200-8N1", "00!"), ("FF", "19200-8N1", "FE"), ("FF", "38400-8N1", "F8")],
)
def test_a_single_byte_at_a_faster_receiver(data: str, receiver: str, expected: str) -> None:
    assert heard("9600-8N1", receiver, bytes.fromhex(data)).split()[0] == expected


def test_a_swapped_pair_is_heard_as_its_complement() -> None:
    """Seven bytes for eight, with framing errors."""
    assert heard("9600-8N1", "9600-8N1", swapped=True).replace("!", "") == "7F 7E FF FF FD F7 3D"
    assert "!" in heard("9600-8N1", "9600-8N1", swapped=True)


def test_parity_bits_are_those_of_the_standard() -> None:
    """MODBUS over Serial Line V1.02, section 2.6.1: 1100 0101 has even parity bit 0 and odd parity
    bit 1."""
    assert (
        uart.character_levels(b"\xc5", LineSettings.parse("9600-8E1"))
        == "0" + "10100011" + "0" + "1"
    )
    assert (
        uart.character_levels(b"\xc5", LineSettings.parse("9600-8O1"))
        == "0" + "10100011" + "1" + "1"
    )


def test_only_a_failsafe_receiver_takes_a_floating_pair_for_mark() -> None:
    settings = LineSettings.parse("9600-8N1")
    assert ReceiverSetup(settings, failsafe=True).levels("fi", biased=False) == "11"
    assert ReceiverSetup(settings, failsafe=False).levels("fi", biased=False) == "01"
    assert ReceiverSetup(settings, swapped=True).levels("10fi", biased=True) == "0110"


any_settings = st.builds(
    lambda baud, form: LineSettings.parse(f"{baud}-{form}"),
    st.sampled_from(COMMON_BAUDS),
    st.sampled_from([*COMMON_FORMATS, "8E2"]),
)


@given(st.binary(max_size=20), any_settings)
@settings(max_examples=60)
def test_what_is_sent_is_heard_at_the_same_settings(data: bytes, line: LineSettings) -> None:
    levels = uart.character_levels(data, line)
    read = list(uart.read_grid(levels, idle="1", sent_baud=line.baud, heard=line))
    mask = 2**line.data_bits - 1
    assert [value for _, value, _ in read] == [byte & mask for byte in data]
    assert not any(bad for _, _, bad in read)
    assert [index for index, _, _ in read] == [
        n * line.bits_per_character for n in range(len(data))
    ]


@given(
    st.text("01", max_size=120), st.sampled_from("01"), st.sampled_from(COMMON_BAUDS), any_settings
)
@settings(max_examples=150)
def test_both_ways_to_read_agree(levels: str, idle: str, baud: int, line: LineSettings) -> None:
    """The fast reading of one sender is the general one on the same edges."""
    start = 12345.678
    times, changed, previous = [], [], idle
    for place, level in enumerate(levels + idle):
        if level != previous:
            times.append(start + place / baud)
            changed.append(level)
            previous = level
    general = [c for c, _ in uart.read_edges(times, changed, idle=idle, since=0.0, heard=line)]
    fast = list(uart.read_grid(levels, idle=idle, sent_baud=baud, heard=line))
    assert [(c.value, c.bad) for c in general] == [(value, bad) for _, value, bad in fast]
    assert [c.start for c in general] == pytest.approx(
        [start + index / baud for index, _, _ in fast]
    )

"""The time of an exchange against the standard's characters and silences."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.line.timing import exchange_time, latency_at, silence_before
from busprobe.modbus.requests import Function, read_registers
from busprobe.profiles.read_requests import Block
from busprobe.prove.polling_table import PolledUnit, Wanted, polling_table
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from busprobe.wiring import calculations

STANDARD = LineSettings.parse("9600-8E1")
SETTINGS = [
    LineSettings.parse(f"{baud}-{form}") for baud in COMMON_BAUDS for form in COMMON_FORMATS
]


@pytest.mark.parametrize(
    ("text", "milliseconds"),
    [
        # V1.02, section 2.5.1: 11-bit characters of 1.1458 ms; section 2.5.1.1: t3.5 4.0104 ms.
        # 15 characters and two silences: 17.1875 + 8.0208 ms.
        ("9600-8E1", 25.2083),
        # 19200 baud, the standard's own rate: 0.5729 ms and 2.0052 ms: 8.5938 + 4.0104 ms.
        ("19200-8E1", 12.6042),
        # Above 19200 baud t3.5 is 1.750 ms, whatever the rate: 15 × 0.0955 + 2 × 1.750 ms.
        ("115200-8E1", 4.9323),
        # 8N1 has 10 bits, outside the standard: 1.0417 ms and 3.6458 ms: 15.625 + 7.2917 ms.
        ("9600-8N1", 22.9167),
    ],
)
def test_one_register_from_a_unit_as_quick_as_the_standard_lets_it(
    text: str, milliseconds: float
) -> None:
    """A request of 8 bytes and a reply of 7 (V1.1b3, section 6.3, with address and CRC)."""
    assert 1000 * exchange_time(LineSettings.parse(text), 8, 7) == pytest.approx(
        milliseconds, abs=1e-3
    )


def test_a_measured_latency_counts_as_it_is_even_below_the_silence() -> None:
    """Some units go by the length of a request: t3.5 4.0104 ms before it, 17.1875 ms of characters,
    then 1 ms measured (V1.02, sections 2.5.1 and 2.5.1.1)."""
    at_9600 = LineSettings.parse("9600-8E1")
    assert 1000 * exchange_time(at_9600, 8, 7, 0.001) == pytest.approx(22.1979, abs=1e-3)
    assert 1000 * exchange_time(at_9600, 8, 7, 0.1) == pytest.approx(121.1979, abs=1e-3)


def test_an_exchange_holds_two_silences() -> None:
    """V1.02, section 2.5.1.1: 3.5 characters (4.010 ms) before the reply at the least, and before
    the next request."""
    shortest = exchange_time(STANDARD, 8, 7)
    assert 1000 * shortest == pytest.approx(15 * 1.1458 + 2 * 4.0104, abs=0.002)
    assert exchange_time(STANDARD, 8, 7, latency=0.1) == pytest.approx(
        shortest + 0.1 - STANDARD.t3_5
    )


@given(
    st.sampled_from(SETTINGS),
    st.integers(4, 256),
    st.integers(4, 256),
    st.floats(0, 2),
    st.floats(0, 2),
)
def test_a_gap_adds_itself_and_the_sides_weigh_the_same(
    settings: LineSettings, request: int, reply: int, latency: float, gap: float
) -> None:
    time = exchange_time(settings, request, reply, latency, gap)
    assert time == pytest.approx(exchange_time(settings, request, reply, latency) + gap)
    assert time == pytest.approx(exchange_time(settings, reply, request, latency, gap))
    assert time >= settings.wire_time(request + reply) + settings.t3_5


@given(st.sampled_from(SETTINGS), st.floats(0, 2))
def test_a_wait_in_vain_holds_the_silence_before_the_next_request(
    settings: LineSettings, wait: float
) -> None:
    """A request of 8 bytes: 9.167 ms at 9600-8E1 (V1.02, section 2.5.1); the bus is silent in the
    wait."""
    assert exchange_time(settings, 8, 0, wait) == pytest.approx(
        settings.wire_time(8) + max(wait, settings.t3_5)
    )


def test_only_the_silence_in_a_latency_follows_the_baud_rate() -> None:
    """V1.02, section 2.5.1.1: t3.5 is 4.0104 ms at 9600-8E1 and 1.750 ms at 115200-8E1.  30 ms are
    25.9896 ms of the unit's own and that silence; 1 ms is less than it, and stays."""
    fast = LineSettings.parse("115200-8E1")
    assert 1000 * latency_at(0.030, STANDARD, fast) == pytest.approx(27.7396, abs=1e-4)
    assert latency_at(latency_at(0.030, STANDARD, fast), fast, STANDARD) == pytest.approx(0.030)
    assert latency_at(0.001, STANDARD, fast) == 0.001


def test_a_gap_comes_on_top_of_the_silence() -> None:
    """V1.02, section 2.5.1.1: 4.0104 ms at 9600-8E1."""
    assert 1000 * silence_before(STANDARD) == pytest.approx(4.0104, abs=1e-4)
    assert 1000 * silence_before(STANDARD, 0.05) == pytest.approx(54.0104, abs=1e-4)


@pytest.mark.parametrize("text", ["1200-8E1", "9600-8N1", "115200-8N1"])
def test_an_exchange_on_a_simulated_bus_takes_what_is_computed(text: str) -> None:
    """The bus knows bits and waveforms alone (`busprobe.virtual`); the latency is as measured."""
    settings = LineSettings.parse(text)
    units = [
        unit.model_copy(update={"settings": settings}) for unit in load_scenario("clean").units
    ]
    scenario = load_scenario("clean").model_copy(update={"units": tuple(units)})
    line = Line(Segment(scenario, VirtualClock()).port("virtual:test"), settings)
    request = read_registers(11, Function.READ_INPUT_REGISTERS, 0, 2)
    before, after = (line.exchange(request, Waits(reply=0.5)) for _ in range(2))
    assert after.ended - before.ended == pytest.approx(
        exchange_time(settings, len(after.request), len(after.received), after.latency), rel=1e-6
    )


@given(st.sampled_from(SETTINGS), st.integers(1, 125), st.integers(0, 500))
def test_the_polling_table_and_the_calculation_say_the_same(
    settings: LineSettings, registers: int, latency_ms: int
) -> None:
    wanted = Wanted("point", Block(3, 0, registers), 1.0)
    [row] = polling_table([PolledUnit(Place(1, settings), (wanted,), latency_ms / 1000)]).rows
    told = calculations.time(settings, registers, latency_ms)
    assert told.values["milliseconds"] == pytest.approx(1000 * row.seconds, abs=1e-3)

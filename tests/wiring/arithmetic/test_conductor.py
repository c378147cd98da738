"""Conductors and voltage drop against published tables and examples."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.conductor import (
    IEC_60228_FLEXIBLE,
    Conductor,
    Drain,
    at_temperature,
    awg_area,
    far_level,
    voltages_along,
)

FOOT = 0.3048


@pytest.mark.parametrize(
    ("gauge", "ohms_per_km", "square_mm"),
    [
        (18, 20.95, 0.823),
        (20, 33.30, 0.518),
        (22, 52.95, 0.326),
        (24, 84.22, 0.205),
        (26, 133.89, 0.129),
    ],
)
def test_gauges_of_the_wire_table(gauge: int, ohms_per_km: float, square_mm: float) -> None:
    """cirris.com wire resistance table, converted from Ω per 100 ft."""
    assert 1000 * Conductor.parse(f"AWG{gauge}").ohms_per_metre == pytest.approx(
        ohms_per_km, rel=0.0005
    )
    assert 1e6 * awg_area(gauge) == pytest.approx(square_mm, abs=0.0006)


def test_areas_of_iec_60228() -> None:
    """IEC 60228, maximum at 20 °C, classes 5 and 6; smaller sizes by copper alone."""
    assert 1000 * Conductor.parse("0.75").ohms_per_metre == pytest.approx(26.0)
    assert 1000 * Conductor.parse("2,5 mm²").ohms_per_metre == pytest.approx(7.98)
    assert 1000 * Conductor.parse("0.25 mm2").ohms_per_metre == pytest.approx(17.241 / 0.25)
    for area, most in IEC_60228_FLEXIBLE.items():
        assert most > 17.241 / area  # a maximum of the standard is never below the metal's own


@pytest.mark.parametrize(("celsius", "factor"), [(25, 0.980), (50, 0.893)])
def test_temperature_factors_of_iec_60228(celsius: float, factor: float) -> None:
    """IEC 60228 reduces a resistance measured at 25 or 50 °C to 20 °C by these factors."""
    assert 1 / at_temperature(1.0, celsius) == pytest.approx(factor, abs=0.0006)


def test_drop_of_the_lesson() -> None:
    """electrician2.com, lesson page 135: 100 ft of AWG 16 stranded (4.99 Ω per 1000 ft), 4 A at 24
    V: 4.0 V, 16.7 %."""
    wire = Conductor("AWG16 stranded", 4.99 / (1000 * FOOT))
    (left,) = voltages_along(24, wire, [Drain(100 * FOOT, 4)])
    assert 24 - left == pytest.approx(3.992, abs=0.0005)
    assert 100 * (24 - left) / 24 == pytest.approx(16.63, abs=0.01)


def test_sources_disagree_on_copper() -> None:
    """energy-solutions.co.uk: 0.0164 * I * total length / area, 5 A, 60 m out and back, 2.5 mm²:
    1.968 V.

    At 20 °C pure copper already makes 2.07 V, and the standard's maximum for flexible wire 2.39 V.
    """
    published = 0.0164 * 5 * 60 / 2.5
    assert published == pytest.approx(1.968)
    (left,) = voltages_along(24, Conductor("copper", 17.241e-9 / 2.5e-6), [Drain(30, 5)])
    assert 24 - left == pytest.approx(2.069, abs=0.001)
    (left,) = voltages_along(24, Conductor.parse("2.5"), [Drain(30, 5)])
    assert 24 - left == pytest.approx(2.394, abs=0.001)


def test_hundred_metres_of_data_cable() -> None:
    """Ohm's law with the table's AWG 24: 50 mA over 100 m lose 0.842 V."""
    (left,) = voltages_along(12, Conductor.parse("AWG24"), [Drain(100, 0.05)])
    assert 12 - left == pytest.approx(0.842, abs=0.001)


def test_level_at_a_far_terminator() -> None:
    """1.5 V (least of a loaded driver, TI SLLA628) over 1000 m of AWG 24 leave 0.624 V at 120 Ω."""
    loop = Conductor.parse("AWG24").loop(1000)
    assert loop == pytest.approx(168.4, abs=0.1)
    assert far_level(1.5, loop, 120) == pytest.approx(0.624, abs=0.001)


def test_each_stretch_carries_all_units_behind_it() -> None:
    """Three units on 1 Ω a stretch (out and back): 3, 2 and 1 A make 3, 5 and 6 V of drop, in any
    order given."""
    wire = Conductor("half an ohm a metre", 0.5)
    drains = [Drain(3, 1), Drain(1, 1), Drain(2, 1)]
    assert voltages_along(24, wire, drains) == pytest.approx((18, 21, 19))


@given(st.lists(st.tuples(st.floats(0, 500), st.floats(0, 0.2)), min_size=1, max_size=20))
def test_voltage_never_rises_along_the_pair(units: list[tuple[float, float]]) -> None:
    """A unit farther away never has more, whatever the currents."""
    drains = sorted((Drain(metres, amperes) for metres, amperes in units), key=lambda d: d.metres)
    left = voltages_along(24, Conductor.parse("0.5"), drains)
    assert all(near >= far - 1e-9 for near, far in pairwise(left))
    assert max(left) <= 24


@pytest.mark.parametrize("text", ["", "AWG", "AWG99", "thick", "0", "0.75 m", "-1", "1e3", "٣"])
def test_no_wire_size_is_refused(text: str) -> None:
    """Anything but a gauge or an area, with what to write instead."""
    with pytest.raises(UsageError, match="AWG24"):
        Conductor.parse(text)


def test_impossible_units_are_refused() -> None:
    """Negative distances and currents name the unit they belong to."""
    with pytest.raises(UsageError, match="distance of unit 2"):
        voltages_along(24, Conductor.parse("AWG24"), [Drain(1, 1), Drain(-1, 1)])
    with pytest.raises(UsageError, match="current of unit 1"):
        voltages_along(24, Conductor.parse("AWG24"), [Drain(1, float("nan"))])
    with pytest.raises(UsageError, match="temperature"):
        at_temperature(1, 1000)

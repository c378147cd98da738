"""Lengths against published tables and rules."""

from __future__ import annotations

import pytest

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.trunk import (
    CableKind,
    critical_length,
    longest_derivation,
    longest_stub,
    longest_trunk,
)


@pytest.mark.parametrize(
    ("nanoseconds", "metres"),
    [(3, 0.07), (10, 0.23), (100, 2.34)],
)
def test_stub_table_of_the_sn65hvd10(nanoseconds: float, metres: float) -> None:
    """TI SN65HVD10/11/12 datasheet, table 10-1, velocity factor 0.78."""
    assert longest_stub(nanoseconds * 1e-9) == pytest.approx(metres, abs=0.006)


@pytest.mark.parametrize(("nanoseconds", "metres"), [(4, 0.1), (25, 0.6), (120, 2.8)])
def test_stub_table_of_the_sn65hvd30(nanoseconds: float, metres: float) -> None:
    """TI SN65HVD30..35 datasheet, table 9-1, printed to one decimal."""
    assert longest_stub(nanoseconds * 1e-9) == pytest.approx(metres, abs=0.05)


def test_stub_of_a_slow_driver_in_the_vendor_forum() -> None:
    """TI E2E thread 889880: about 5 m at 210 ns; the rule gives 4.91 m."""
    assert longest_stub(210e-9) == pytest.approx(4.91, abs=0.01)


def test_sources_disagree_on_stubs() -> None:
    """ECSS, citing CiA 301: 50 ns edge at 5 ns/m, critical length 5 m, stub a third (1.67 m); TI's
    rule gives 1.0 m."""
    factor = 1 / (5e-9 * 3e8)
    assert critical_length(50e-9, factor) == pytest.approx(5.0)
    assert critical_length(50e-9, factor) / 3 == pytest.approx(1.67, abs=0.005)
    assert longest_stub(50e-9, factor) == pytest.approx(1.0)


@pytest.mark.parametrize(("baud", "metres"), [(115200, 868), (57600, 1200), (1e5, 1000), (1e7, 10)])
def test_length_times_rate(baud: float, metres: float) -> None:
    """TI SLLA272: length times rate up to 1e8, never over 1200 m; 'about 12 m' is printed for 10
    Mbit/s."""
    assert longest_trunk(baud).length == pytest.approx(metres, abs=0.1)


def test_sources_disagree_on_the_longest_trunk() -> None:
    """V1.02, section 3.4.3, says 1000 m at 9600 baud where the curve has 1200 m; above 9600 baud it
    says nothing."""
    at_9600 = longest_trunk(9600)
    assert (at_9600.by_rate, at_9600.by_guide, at_9600.length) == (1200, 1000, 1000)
    assert longest_trunk(19200).by_guide is None


def test_cabling_of_the_modbus_guide() -> None:
    """V1.02, sections 3.4.3 and 3.6: Cat 5 up to 600 m, four-wire cabling used as two-wire half of
    1000 m."""
    assert longest_trunk(9600, CableKind.CATEGORY_5).length == 600
    assert longest_trunk(9600, CableKind.FOUR_WIRE_AS_TWO).length == 500


@pytest.mark.parametrize(("derivations", "metres"), [(1, 20), (2, 20), (3, 13.33), (4, 10), (8, 5)])
def test_derivations_at_a_tap(derivations: int, metres: float) -> None:
    """V1.02, section 3.4.3: never over 20 m, and 40 m over their number."""
    assert longest_derivation(derivations) == pytest.approx(metres, abs=0.005)


def test_nonsense_is_refused() -> None:
    """No edge without time, no cable faster than light, no tap without derivations."""
    with pytest.raises(UsageError, match="rise time"):
        longest_stub(0)
    with pytest.raises(UsageError, match=r"velocity factor of 1\.2"):
        longest_stub(1e-8, 1.2)
    with pytest.raises(UsageError, match="derivations"):
        longest_derivation(0)
    with pytest.raises(UsageError, match="baud rate"):
        longest_trunk(-9600)

"""The unit-load budget and where repeaters go."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.unit_loads import segments


def test_bias_takes_four_unit_loads_of_32() -> None:
    """MODBUS over Serial Line V1.02, sections 3.4.1 and 3.4.6: 32 units without bias, 28 with
    it."""
    assert len(segments([1.0] * 32, biased=False)) == 1
    assert len(segments([1.0] * 33, biased=False)) == 2
    assert len(segments([1.0] * 28)) == 1
    assert len(segments([1.0] * 29)) == 2


def test_eighth_unit_loads_make_256_nodes() -> None:
    """An eighth of a unit load (96 kΩ) gives 256 nodes: a data-logger maker's help page, 'RS-485
    line length'."""
    assert len(segments([1 / 8] * 256, biased=False)) == 1
    assert len(segments([1 / 8] * 257, biased=False)) == 2


def test_a_repeater_counts_on_both_its_sides() -> None:
    """Full segments in a chain: the ends carry one repeater, the middle two."""
    chain = segments([1.0] * 92, biased=False)
    assert [(s.units, s.used) for s in chain] == [(31, 32.0), (30, 32.0), (31, 32.0)]
    assert len(segments([1.0] * 93, biased=False)) == 4


def test_no_units_are_one_segment() -> None:
    """An empty pair is a segment with nothing on it."""
    assert [(s.units, s.used) for s in segments([])] == [(0, 0.0)]


@given(st.lists(st.floats(0.05, 4), max_size=120), st.booleans(), st.floats(0, 2))
def test_no_segment_is_overloaded_and_every_unit_is_placed(
    loads: list[float], biased: bool, repeater: float
) -> None:
    """Whatever the loads: all units in order, none over the limit, and no needless segment."""
    chain = segments(loads, biased=biased, repeater=repeater)
    assert sum(s.units for s in chain) == len(loads)
    start = 0
    for index, segment in enumerate(chain):
        own = sum(loads[start : start + segment.units])
        repeaters = repeater * ((index > 0) + (index < len(chain) - 1))
        assert segment.used == pytest.approx(own + repeaters)
        assert segment.used <= segment.allowed + 1e-6
        start += segment.units
    if len(chain) > 1:
        assert sum(loads) > chain[0].allowed - 1e-6


def test_a_load_that_fits_nowhere_is_refused() -> None:
    """One unit heavier than a segment, and loads that are no loads."""
    with pytest.raises(UsageError, match="Unit 2 alone is 40"):
        segments([1, 40])
    with pytest.raises(UsageError, match="load of unit 1"):
        segments([0.0])
    with pytest.raises(UsageError, match="repeaters"):
        segments([1.0], repeater=14)

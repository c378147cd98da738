"""The names of the wires."""

from __future__ import annotations

import pytest

from busprobe.wiring.wire_names import CONVENTIONS, EXPLANATION, d1_by_idle


@pytest.mark.parametrize(
    ("volts", "wire"), [(0.3, "A"), (-0.3, "B"), (0.1, None), (-0.19, None), (0.0, None)]
)
def test_d1_is_the_wire_that_is_positive_in_idle(volts: float, wire: str | None) -> None:
    """V1.02, section 3.3.2: D1 is the more positive wire in idle; within the undefined range
    nothing is said."""
    assert d1_by_idle(volts) == wire


def test_the_two_conventions_are_opposite_and_both_named() -> None:
    """The standard's B and a chip's A are the same wire, and the explanation says so."""
    standard, chips, _ = CONVENTIONS
    assert standard.idle_positive.startswith("B")
    assert chips.idle_positive == "A"
    assert standard.idle_negative.startswith(chips.idle_positive)
    assert all(name in EXPLANATION for name in ("A", "B", "D1", "D0", "Common"))

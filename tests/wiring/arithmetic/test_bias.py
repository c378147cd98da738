"""Bias arithmetic against published worked examples, those in which the sources disagree
included."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.bias import (
    LEAST_DRIVER_LOAD,
    LoadModel,
    Network,
    bias_resistors,
    driver_load,
    idle,
    matched_bias,
    near_terminator,
    parallel,
)

ACROSS, TO_COMMON = LoadModel.ACROSS_PAIR, LoadModel.TO_COMMON
OHMS = st.floats(10, 1e5)


def difference(
    supply: float,
    up: float,
    terminators: tuple[float, ...],
    loads: float = 0,
    model: LoadModel = ACROSS,
) -> float:
    return idle(Network(supply, up, up, terminators, loads, model)).difference


def test_32_unit_loads_without_termination_need_resistors_of_9_kilohm_in_sum() -> None:
    """B&B Electronics RS-422/485 Application Note, page 19: 375 Ω, 0.53 mA, 9375 Ω in all, 9 kΩ for
    both resistors."""
    assert parallel(*[12_000.0] * 32) == pytest.approx(375)
    each = bias_resistors(5, 0.2, (), 32, ACROSS)
    assert 2 * each == pytest.approx(9000)
    settled = idle(Network(5, each, each, (), 32, ACROSS))
    assert settled.difference == pytest.approx(0.2)
    assert settled.current == pytest.approx(0.53e-3, abs=0.005e-3)
    assert 5 / settled.current == pytest.approx(9375)


def test_ten_units_with_built_in_bias_and_two_terminators_idle_at_285_millivolt() -> None:
    """B&B Electronics RS-422 and RS-485 Applications eBook, page 35: about 5 mA and 285 mV; 4.7 kΩ
    each is inferred."""
    settled = idle(Network(5, 470, 470, (120, 120), 10, ACROSS))
    assert settled.current == pytest.approx(5e-3, rel=0.01)
    assert settled.difference == pytest.approx(0.285, abs=0.002)


def test_printed_sum_of_the_unterminated_example_is_wrong() -> None:
    """The eBook, page 36, prints 470 + 1200 + 470 as 2.24 kΩ; it is 2.14 kΩ, which gives 2.80 V."""
    settled = idle(Network(5, 470, 470, (), 10, ACROSS))
    assert 5 / settled.current == pytest.approx(2140)
    assert 5 / settled.current != pytest.approx(2240, rel=0.01)
    assert settled.difference == pytest.approx(2.804, abs=0.001)


@pytest.mark.parametrize(
    ("near", "resistor", "millivolts", "termination"),
    [(141.4, 396, 249.98, 119.98), (150, 390, 259.8, 125.8), (150, 300, 330.0, 120.0)],
)
def test_3_volt_bias_of_the_rdm_forum(
    near: float, resistor: float, millivolts: float, termination: float
) -> None:
    """rdmprotocol.org forum, '3.3V Biasing', post 4: idle voltage, and the near terminator with the
    bias beside it."""
    assert 1000 * difference(3.3, resistor, (120, near)) == pytest.approx(millivolts, abs=0.05)
    assert parallel(near, 2 * resistor) == pytest.approx(termination, abs=0.05)


def test_near_terminator_of_the_textbook() -> None:
    """'Serial Port Complete' (Axelson), chapter 7, page 129: 133 Ω beside 620 Ω on a cable of 120
    Ω."""
    assert near_terminator(620, 120) == pytest.approx(133, abs=0.2)
    assert parallel(near_terminator(620, 120), 2 * 620) == pytest.approx(120)


def test_textbooks_500_millivolt_forget_the_far_terminator() -> None:
    """'Serial Port Complete', pages 127-128, says about 500 mV for 620 Ω and 130 Ω; with the far
    120 Ω it is 240 mV."""
    assert 1000 * difference(5, 620, (130,)) == pytest.approx(474, abs=1)
    assert 1000 * difference(5, 620, (130, 120)) == pytest.approx(240, abs=1)


@pytest.mark.parametrize(
    ("resistor", "millivolts", "milliamperes"),
    [(680, 139, 2.32), (470, 198, 3.30), (390, 236, 3.93), (330, 275, 4.58)],
)
def test_3_volt_table_of_a_project_note(
    resistor: float, millivolts: float, milliamperes: float
) -> None:
    """A public hardware design note citing TI SLYT324: 3.3 V, two terminators of 120 Ω."""
    settled = idle(Network(3.3, resistor, resistor))
    assert 1000 * settled.difference == pytest.approx(millivolts, abs=0.6)
    assert 1000 * settled.current == pytest.approx(milliamperes, abs=0.006)


def test_formula_attributed_to_tb509_does_not_give_the_voltage_it_promises() -> None:
    """A public notebook citing Renesas TB509: 333 Ω, 146 Ω for 300 mV; Kirchhoff has 297 mV, 275
    with 32 loads."""
    assert near_terminator(333.33, 120) == pytest.approx(146.34, abs=0.01)
    assert 1000 * difference(3.3, 333.33, (120, 146.34)) == pytest.approx(297, abs=0.5)
    assert 1000 * difference(3.3, 333.33, (120, 146.34), 32, TO_COMMON) == pytest.approx(
        275, abs=0.5
    )
    assert matched_bias(3.3, 0.3, 120, 32).resistor == pytest.approx(305.6, abs=0.1)


def test_ten_nodes_on_two_terminators_need_685_ohm() -> None:
    """Widely printed example (from memory; recomputed): 57 Ω, 3.5 mA, 1428 Ω in all, 685 Ω each."""
    each = bias_resistors(5, 0.2, (120, 120), 10, ACROSS)
    assert each == pytest.approx(685.7, abs=0.1)
    settled = idle(Network(5, each, each, (120, 120), 10, ACROSS))
    assert settled.current == pytest.approx(3.5e-3)
    assert 5 / settled.current == pytest.approx(1428.6, abs=0.1)


def test_matched_bias_and_plain_bias_differ_by_the_one_in_the_formula() -> None:
    """TI SLLA272 (from memory; recomputed): 4.75 V, 250 mV, 32 loads: 528 Ω beside 135 Ω, or 500 Ω
    with two 120 Ω."""
    matched = matched_bias(4.75, 0.25, 120, 32)
    assert matched.resistor == pytest.approx(527.8, abs=0.1)
    assert matched.near_terminator == pytest.approx(135.4, abs=0.1)
    assert difference(
        4.75, matched.resistor, (120, matched.near_terminator), 32, TO_COMMON
    ) == pytest.approx(0.25)
    plain = bias_resistors(4.75, 0.25, (120, 120), 32)
    assert plain == pytest.approx(500.0, abs=0.1)
    assert difference(4.75, plain, (120, 120), 32, TO_COMMON) == pytest.approx(0.25)


def test_720_ohm_is_the_largest_pair_for_two_terminators() -> None:
    """Kirchhoff's law: 5 V, 720 Ω up and down, two 120 Ω hold exactly 200 mV."""
    assert bias_resistors(5, 0.2, (120, 120), 0) == pytest.approx(720)


@pytest.mark.parametrize(
    ("resistor", "terminator", "loads", "millivolts"),
    [
        (650, 120, 0, 220.6),
        (450, 120, 0, 312.5),
        (650, 150, 0, 272.7),
        (450, 150, 0, 384.6),
        (650, 120, 28, 206.8),
    ],
)
def test_idle_voltage_of_the_modbus_guides_own_network(
    resistor: float, terminator: float, loads: float, millivolts: float
) -> None:
    """MODBUS over Serial Line V1.02, section 3.4.6: 450 to 650 Ω at 5 V; the voltages follow by
    Kirchhoff's law."""
    settled = difference(5, resistor, (terminator, terminator), loads, TO_COMMON)
    assert 1000 * settled == pytest.approx(millivolts, abs=0.05)


def test_both_load_models_differ_by_a_factor_of_two_in_loads() -> None:
    """16 unit loads across the pair weigh as much as 32 to common."""
    assert difference(5, 500, (120, 120), 16, ACROSS) == pytest.approx(
        difference(5, 500, (120, 120), 32, TO_COMMON)
    )


def test_driver_load_of_a_full_segment_is_below_what_drivers_are_tested_at() -> None:
    """32 unit loads (375 Ω, B&B Application Note page 19) and two 120 Ω make 51.7 Ω; TI SLLA628 has
    drivers at 54 Ω."""
    assert driver_load((120, 120), 32) == pytest.approx(51.7, abs=0.05)
    assert driver_load((120, 120), 32) < LEAST_DRIVER_LOAD < driver_load((120, 120), 16)
    assert driver_load((120, 120, 120), 0) < LEAST_DRIVER_LOAD


@given(
    st.floats(1, 24),
    OHMS,
    OHMS,
    st.lists(OHMS, max_size=3),
    st.floats(0, 256),
    st.sampled_from(LoadModel),
)
def test_idle_obeys_kirchhoff_at_both_wires(
    supply: float, up: float, down: float, terminators: list[float], loads: float, model: LoadModel
) -> None:
    """Currents into each wire add up to nothing, also with unequal resistors."""
    settled = idle(Network(supply, up, down, tuple(terminators), loads, model))
    between = settled.difference * sum(1 / ohms for ohms in terminators)
    load = loads / 12_000
    if model is ACROSS:
        between += settled.difference * load
        load = 0
    assert settled.current == pytest.approx((supply - settled.d1) / up, abs=1e-12)
    assert settled.current == pytest.approx(settled.d1 * load + between, rel=1e-6, abs=1e-9)
    assert between == pytest.approx(settled.d0 * (load + 1 / down), rel=1e-6, abs=1e-9)


@given(
    st.floats(1, 24),
    st.floats(0.05, 0.9),
    st.lists(OHMS, min_size=1, max_size=3),
    st.floats(0, 64),
    st.sampled_from(LoadModel),
)
def test_bias_resistors_give_back_the_wanted_voltage(
    supply: float, wanted: float, terminators: list[float], loads: float, model: LoadModel
) -> None:
    """Choosing resistors and settling with them are inverse."""
    each = bias_resistors(supply, wanted, terminators, loads, model)
    assert difference(supply, each, tuple(terminators), loads, model) == pytest.approx(
        wanted, rel=1e-6
    )


def test_impossible_wishes_are_refused_in_words() -> None:
    """No resistor reaches the supply itself, none is needed without a load, and numbers have to
    make sense."""
    with pytest.raises(UsageError, match="No resistor makes 5 V"):
        bias_resistors(5, 5, (120,), 0)
    with pytest.raises(UsageError, match="any bias resistor"):
        bias_resistors(5, 0.2, (), 0)
    with pytest.raises(UsageError, match="already below"):
        near_terminator(50, 120)
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(UsageError, match="pull-up"):
            idle(Network(5, bad, 560))
    assert parallel() == math.inf

"""Calculations as they are told: published examples in words and numbers, with formula and
source."""

from __future__ import annotations

from inspect import Parameter, signature

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.wiring import calculations
from busprobe.wiring.arithmetic.bias import LoadModel
from busprobe.wiring.arithmetic.conductor import Conductor, Drain
from busprobe.wiring.calculations import Calculation

AT_9600 = LineSettings.parse("9600-8E1")
TWO = (120.0, 120.0)
KNOWN = calculations.known_inputs(LineSettings.parse("9600-8N1"), 6)


def test_bias_of_the_modbus_guide_with_both_models_of_a_unit_load() -> None:
    """MODBUS over Serial Line V1.02, section 3.4.6: 650 Ω at 5 V, 28 unit loads: 206.8 mV
    (Kirchhoff) if these go to common; counted across the pair they weigh double."""
    fitted = calculations.bias(5, TWO, 28, resistor=650)
    assert fitted.lines[0] == "Idle voltage 206.8 mV: enough, receivers need 200 mV."
    assert (
        fitted.given == "5 V, terminators of 120 and 120 Ω, 28 unit loads, two resistors of 650 Ω"
    )
    across = calculations.bias(5, TWO, 28, resistor=650, model=LoadModel.ACROSS_PAIR)
    assert across.lines[0] == "Idle voltage 194.6 mV: NOT ENOUGH, receivers need 200 mV."
    assert "across the pair: 194.6 mV" in fitted.lines[2]
    assert "each wire to common: 206.8 mV" in across.lines[2]
    assert (fitted.sufficient, across.sufficient) == (True, False)
    assert (
        fitted.lines[3]
        == "All together load a driver with 53.8 Ω: at the limit, the 54 Ω that every driver has to"
        " manage."
    )


def test_bias_that_overloads_a_driver_will_not_do() -> None:
    """100 Ω each hold the pair well, and leave a driver 46.2 Ω (two of 120 Ω and 200 Ω in parallel,
    computed)."""
    strong = calculations.bias(5, TWO, 0, resistor=100)
    assert "enough" in strong.lines[0]
    assert "46.2 Ω: TOO MUCH" in strong.lines[-1]
    assert not strong.sufficient


def test_bias_without_terminators_as_a_handbook_has_it() -> None:
    """B&B Electronics RS-422/485 Application Note, page 19: 32 nodes of 12 kΩ across the pair, 9 kΩ
    for both resistors; no terminator means none to match."""
    wanted = calculations.bias(5, (), 32, model=LoadModel.ACROSS_PAIR)
    assert wanted.values["resistor_ohms"] == 4500
    assert "matched_resistor_ohms" not in wanted.values
    assert wanted.values["driver_load_ohms"] == pytest.approx(360)


def test_a_full_segment_is_the_least_load_that_drivers_must_manage() -> None:
    """TI SLLA628: 54 Ω stand for 32 unit loads and two terminators; across the pair they make 51.7
    Ω (computed), from each wire to common 55.6 Ω."""
    no_bias = 1e9
    across = calculations.bias(5, TWO, 32, resistor=no_bias, model=LoadModel.ACROSS_PAIR)
    to_common = calculations.bias(5, TWO, 32, resistor=no_bias)
    assert (across.values["driver_load_ohms"], to_common.values["driver_load_ohms"]) == (51.7, 55.6)


def test_loads_say_first_whether_a_repeater_is_needed() -> None:
    """V1.02, sections 3.4.1 and 3.4.6: 32 units without bias, 28 with it."""
    assert calculations.loads([1.0] * 32, biased=False).lines == (
        "No repeater needed.",
        "Segment 1: 32 units, 32 of 32 unit loads.",
    )
    assert calculations.loads([1.0] * 32).lines[0] == "1 repeater needed."


def test_a_stub_is_told_by_all_three_rules() -> None:
    """TI SN65HVD3x table 9-1: 25 ns, 0.6 m; ECSS, citing CiA 301, allows more; the Modbus guide
    says 20 m."""
    told = calculations.stub(25)
    assert told.values["by_edge_metres"] == pytest.approx(0.585)
    assert told.values["by_critical_length_metres"] == pytest.approx(0.975)
    assert told.values["by_guide_metres"] == 20
    assert "disagree" in told.lines[1]
    assert calculations.stub(None, 4).lines == ("By the Modbus guide: at most 10.0 m each.",)


def test_a_length_is_judged_and_its_far_level_told() -> None:
    """1e8 / 115200 = 868 m (TI SLLA272); 1.5 V over 1000 m of AWG 24 leave 0.62 V at 120 Ω
    (computed)."""
    told = calculations.length(115200, metres=1000, wire=Conductor.parse("AWG24"))
    assert told.lines[1] == "1000 m are TOO LONG."
    assert told.values["far_volts"] == pytest.approx(0.624, abs=0.001)
    assert calculations.length(9600, metres=1000).lines[1] == "1000 m are within that."


def test_a_drop_that_leaves_nothing_says_so() -> None:
    """100 m of AWG24 and 50 mA lose 0.84 V (computed from 84.22 Ω/km); 5 A over 1 km lose more than
    there is."""
    wire = Conductor.parse("AWG24")
    assert calculations.drop([Drain(100, 0.05)], 12, wire).lines == (
        "At 100 m, 0.05 A: 11.16 V left, 7.0 % lost.",
    )
    assert "nothing left" in calculations.drop([Drain(1000, 5)], 12, wire).lines[0]


def test_the_parity_example_of_the_standard_in_bits() -> None:
    """V1.02, section 2.6.1: 1100 0101 has four ones: even parity bit 0, odd 1."""
    assert calculations.bits(b"\xc5", AT_9600).lines[1] == "C5  0 10100011 0 1"
    assert (
        calculations.bits(b"\xc5", LineSettings.parse("9600-8O1")).lines[1] == "C5  0 10100011 1 1"
    )
    assert (
        calculations.bits(b"\xc5", LineSettings.parse("9600-8N2")).lines[1] == "C5  0 10100011 11"
    )
    assert calculations.bits(b"\xc5", AT_9600).lines[0] == "11 bits, 1.146 ms; one bit is 104.2 µs."


def test_time_tells_character_and_silence() -> None:
    """V1.02, sections 2.5.1 and 2.5.1.1: 11 bits, 1.146 ms at 9600 baud, and 4.010 ms of
    silence."""
    assert (
        "11 bits and takes 1.146 ms; 3.5 characters of silence are 4.010 ms."
        in calculations.time(AT_9600, 1).lines[1]
    )


@pytest.mark.parametrize("each", calculations.CALCULATIONS, ids=lambda each: each.name)
def test_inputs_are_the_parameters_of_the_function(each: Calculation) -> None:
    """An input that the function does not take, or that has neither default nor argument, would
    show only when it is used."""
    parameters = signature(each.function).parameters
    assert {one.name for one in each.inputs} <= set(parameters)
    assert all(
        one.name in {given.name for given in each.inputs} or one.default is not Parameter.empty
        for one in parameters.values()
    )
    for one in each.inputs:
        if one.default:
            one.read(one.default)  # raises for a default that is none


def test_time_takes_a_measured_delay_as_it_is() -> None:
    """The same as the polling table: 4.0104 ms of silence, 15 characters of 1.1458 ms, 20 ms
    measured (V1.02, sections 2.5.1 and 2.5.1.1)."""
    told = calculations.time(AT_9600, 1, 20)
    assert told.values["milliseconds"] == pytest.approx(41.198, abs=1e-3)
    shortest = calculations.time(AT_9600, 1)
    assert shortest.values["milliseconds"] == pytest.approx(25.208, abs=1e-3)


def test_nonsense_is_refused() -> None:
    with pytest.raises(UsageError, match="0 bytes are no frame"):
        calculations.bits(b"", AT_9600)
    with pytest.raises(UsageError, match="The length"):
        calculations.length(9600, metres=-1)
    with pytest.raises(UsageError, match="delay"):
        calculations.time(AT_9600, 1, -5)
    with pytest.raises(UsageError, match="A resistor"):
        calculations.bias(5, (120, 1e-320), 4)
    with pytest.raises(UsageError, match="The supply"):
        calculations.bias(1e308, TWO, 4)
    with pytest.raises(UsageError, match="No unit draws"):
        calculations.drop([], 24, Conductor.parse("0.75"))


@pytest.mark.parametrize(
    "calculation", calculations.CALCULATIONS, ids=[each.name for each in calculations.CALCULATIONS]
)
def test_every_calculation_has_a_result_to_begin_with(
    calculation: Calculation,
) -> None:
    """Nobody has to fill a form before seeing what it gives."""
    result = calculation.result({each.name: each.first(KNOWN) for each in calculation.fields})
    assert result.lines
    assert result.formula
    assert result.source


@settings(max_examples=80)
@given(st.sampled_from(calculations.CALCULATIONS), st.data())
def test_whatever_is_typed_gives_a_result_or_a_clear_error(
    calculation: Calculation, data: st.DataObject
) -> None:
    typed = {
        each.name: data.draw(st.one_of(st.just(each.first(KNOWN)), st.text(max_size=6)))
        for each in calculation.fields
    }
    try:
        assert calculation.result(typed).lines
    except UsageError as error:
        assert error.todo

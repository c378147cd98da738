"""Voltages of an idle segment: levels, and words that claim no more than was measured."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.bias import Network, idle
from busprobe.wiring.meter import Judgement, Level
from busprobe.wiring.voltage import MOST_TERMINATED, judge_idle, judge_supply, judge_to_common
from busprobe.wiring.wire_names import Labels


@pytest.mark.parametrize(
    ("value", "level", "words"),
    [
        (0.35, Level.GOOD, "150 mV above"),
        (0.2206, Level.GOOD, "21 mV above"),
        (0.12, Level.ATTENTION, "undefined range"),
        (-0.12, Level.ATTENTION, "undefined range"),
        (0.0, Level.ATTENTION, "no bias is seen, or the wires are shorted"),
        (
            -0.35,
            Level.WRONG,
            "swapped at this terminal, bias the wrong way round, or a driver that is stuck",
        ),
        (3.1, Level.ATTENTION, "no terminators, a driver that holds the pair, or bias"),
        (9.0, Level.WRONG, "foreign voltage"),
        (-9.0, Level.WRONG, "foreign voltage"),
    ],
)
def test_idle_voltage_by_sign(value: float, level: Level, words: str) -> None:
    """TIA/EIA-485-A thresholds as given in TI 'RS-485 basics' (2016): 0.2 V; the red lead is on
    D1."""
    judgement = judge_idle(value, Labels.SIGN)
    assert judgement.level is level
    assert words in judgement.words


@pytest.mark.parametrize(("value", "wire"), [(0.3, "A"), (-0.3, "B")])
def test_letters_are_never_wrong_by_themselves(value: float, wire: str) -> None:
    """Where terminals say A and B, either sign is sound, and tells which of them is D1."""
    judgement = judge_idle(value, Labels.LETTERS)
    assert judgement.level is Level.GOOD
    assert f"The positive wire is {wire}" in judgement.words
    assert "if the bias is the right way round" in judgement.words
    assert wire in judgement.action


def test_an_unterminated_pair_may_idle_high() -> None:
    """With no terminator measured, the eBook's 2.8 V (B&B, page 36) is just bias."""
    value = idle(Network(5, 470, 470, (), 10)).difference
    assert judge_idle(value, Labels.SIGN, terminators=0).level is Level.GOOD
    terminated = judge_idle(value, Labels.SIGN, terminators=2)
    assert terminated.level is Level.ATTENTION
    assert "no terminators" not in terminated.words


@pytest.mark.parametrize("terminators", [(120.0,), (150.0,), (120.0, 120.0), (150.0, 150.0)])
@pytest.mark.parametrize("resistor", [450.0, 650.0])
def test_the_modbus_guides_own_bias_is_good(
    resistor: float, terminators: tuple[float, ...]
) -> None:
    """V1.02, section 3.4.6: 450 to 650 Ω at 5 V with one or two terminators lie between the
    limits."""
    value = idle(Network(5, resistor, resistor, terminators)).difference
    assert value < MOST_TERMINATED
    assert judge_idle(value, Labels.SIGN).level is Level.GOOD


@pytest.mark.parametrize(
    ("d1", "d0", "between", "level", "words"),
    [
        (2.6, 2.3, 0.3, Level.GOOD, "as drivers make it"),
        (2.6, 2.3, None, Level.GOOD, "as drivers make it"),
        (6.3, 6.0, 0.3, Level.ATTENTION, "commons of two units may differ"),
        (-4.0, -4.3, 0.3, Level.ATTENTION, "commons of two units may differ"),
        (13.0, 12.7, 0.3, Level.WRONG, "outside what receivers can stand"),
        (-6.9, -7.2, 0.3, Level.WRONG, "outside what receivers can stand"),
        (2.6, 2.3, -0.3, Level.ATTENTION, "both cannot hold"),
        (2.3, 2.6, -0.3, Level.WRONG, "taken for D1 is 0.300 V below"),
        (2.3, 2.6, None, Level.WRONG, "taken for D1 is 0.300 V below"),
        (2.5, 2.45, None, Level.ATTENTION, "0.050 V apart"),
        (2.5, 2.45, 0.21, Level.GOOD, "as drivers make it"),
    ],
)
def test_each_wire_to_common(
    d1: float, d0: float, between: float | None, level: Level, words: str
) -> None:
    """-7 to +12 V as given in the SP485 datasheet; -1 to +3 V as given in EURASIP J. Embedded
    Systems, table 1."""
    judgement = judge_to_common(d1, d0, between)
    assert judgement.level is level
    assert words in judgement.words


def test_letters_have_no_sign_to_common_either() -> None:
    """A may be the lower wire by the standard; what cannot be is said all the same."""
    assert judge_to_common(2.3, 2.6, -0.3, Labels.LETTERS).level is Level.GOOD
    assert "both cannot hold" in judge_to_common(2.3, 2.6, 0.3, Labels.LETTERS).words


@pytest.mark.parametrize(
    ("value", "level"),
    [
        (23.1, Level.GOOD),
        (21.0, Level.ATTENTION),
        (27.0, Level.ATTENTION),
        (-23.9, Level.WRONG),
        (0.0, Level.ATTENTION),
    ],
)
def test_supply_without_a_data_sheet_only_calls_for_attention(value: float, level: Level) -> None:
    """10 % of nominal is common practice, no limit of the unit's; swapped wires are wrong by any
    measure."""
    judgement = judge_supply(value, 24)
    assert judgement.level is level
    assert "data sheet decides" in judgement.source
    assert ("may be" in judgement.words) is (level is Level.ATTENTION)


def test_supply_against_the_data_sheet() -> None:
    """With the unit's own limits a miss is wrong, and what 10 % would have refused may be right."""
    assert judge_supply(7.0, 24, lowest=8, highest=30).level is Level.WRONG
    assert judge_supply(31.0, 24, lowest=8, highest=30).level is Level.WRONG
    assert judge_supply(12.0, 24, lowest=8, highest=30).level is Level.GOOD
    with pytest.raises(UsageError, match="nominal supply"):
        judge_supply(12.0, 0)


@pytest.mark.parametrize(("d1", "d0"), [(13.0, None), (None, -7.5)])
def test_one_wire_alone_tells_only_what_no_receiver_stands(
    d1: float | None, d0: float | None
) -> None:
    """Outside -7 to +12 V one reading is enough (SP485 datasheet); inside, the other one is asked
    for."""
    assert judge_to_common(d1, d0).level is Level.WRONG
    inside = judge_to_common(None, 2.3)
    assert inside.level is Level.NOT_MEASURED
    assert inside.action == "Measure the other wire to common too."


def test_what_was_not_measured_is_not_judged() -> None:
    """One wire alone is no measurement of both."""
    for judgement in (
        judge_idle(None, Labels.SIGN),
        judge_to_common(2.5, None),
        judge_to_common(None, 2.5),
        judge_supply(None, 24),
    ):
        assert judgement.level is Level.NOT_MEASURED
        assert judgement.reading == ""


@given(st.floats(-60, 60), st.sampled_from(Labels), st.sampled_from([None, 0, 1, 2, 3]))
def test_every_judgement_rests_on_a_range_and_a_source(
    value: float, labels: Labels, terminators: int | None
) -> None:
    """Whatever is measured: words, limits, source, and an action unless all is good."""
    judgements: list[Judgement] = [
        judge_idle(value, labels, terminators),
        judge_to_common(value, value - 0.3),
        judge_supply(value, 24),
    ]
    for judgement in judgements:
        assert judgement.words
        assert judgement.limits
        assert judgement.source
        assert judgement.action or judgement.level is Level.GOOD

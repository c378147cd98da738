"""The voltages of a powered, idle segment judged: between the wires, of each wire to common, and
the far supply."""

from __future__ import annotations

from dataclasses import replace

from busprobe.wiring.arithmetic.bias import THRESHOLD
from busprobe.wiring.arithmetic.plausibility import require
from busprobe.wiring.meter import Judgement, Level, Measurement, not_measured, volts
from busprobe.wiring.wire_names import Labels, d1_by_idle

MOST_TERMINATED = 1.0
"""V between the wires of a terminated idle pair above which more than bias is at work: the
standard's own resistors (V1.02, section 3.4.6) give 0.2 to 0.4 V with two terminators, and 0.4 to
0.7 V with one."""

MOST_DRIVEN = 6.0
"""V between the wires that no driver exceeds, open (TIA/EIA-485-A as given in EURASIP J. Embedded
Systems, table 1)."""

NOTHING = 0.02
"""V below which a meter reading counts as no bias at all (common practice: meter and pick-up)."""

COMMON_MODE = (-7.0, 12.0)
"""V of either wire to common within which receivers work (TIA/EIA-485-A as given in the SP485
datasheet)."""

DRIVER_COMMON_MODE = (-1.0, 3.0)
"""V of the middle of the pair that drivers make by themselves (TIA/EIA-485-A as given in EURASIP J.
Embedded Systems, table 1); outside it, two commons differ."""

MISFIT = 0.2
"""V by which readings taken one after the other may disagree (common practice)."""

SUPPLY_BAND = 0.1
"""Of the nominal voltage that a supply may stray where no data sheet says better (common practice).
"""

_IDLE_SOURCE = (
    "TIA/EIA-485-A receiver thresholds as given in TI 'RS-485 basics: two ways to fail-safe bias"
    " your network' (2016); resistors of MODBUS over Serial Line V1.02, section 3.4.6"
)
_IDLE_LIMITS = "a receiver needs 0.2 V; between -0.2 and +0.2 V its output is undefined"
_TURNED = (
    "It fits wires swapped at this terminal, bias the wrong way round, or a driver that is stuck."
)
_TURNED_ACTION = (
    "Unplug units one by one until the sign turns; if it stays, compare the wires with the end"
    " where bias is."
)
_OUTSIDE = (
    "A wire is outside what receivers can stand: the commons of two units are far apart, or foreign"
    " voltage."
)
_OUTSIDE_ACTION = (
    "Connect the common conductor at every unit; find the unit whose removal brings the voltage"
    " back."
)
_COMMON_LIMITS = (
    f"each wire within {COMMON_MODE[0]:g} to {COMMON_MODE[1]:+g} V of common; the middle of the"
    f" pair within {DRIVER_COMMON_MODE[0]:g} to {DRIVER_COMMON_MODE[1]:+g} V"
)
_COMMON_SOURCE = (
    "TIA/EIA-485-A as given in the SP485 datasheet (common mode) and EURASIP J. Embedded Systems,"
    " table 1 (driver)"
)


def judge_idle(value: float | None, labels: Labels, terminators: int | None = None) -> Judgement:
    """Judge the idle voltage in V, red lead on the terminal marked D1 or + (`Labels.SIGN`) or A
    (`Labels.LETTERS`).

    `terminators` is how many the resistance showed, if it was measured.  Where terminals are marked
    with letters, the sign says which convention they follow and cannot be wrong by itself.
    """
    if value is None:
        return not_measured(Measurement.IDLE)
    size = abs(value)
    if size > MOST_DRIVEN:
        level, words = (
            Level.WRONG,
            (
                f"{volts(value)} is more than any RS-485 driver makes: a foreign voltage is on the"
                " pair."
            ),
        )
        action = "Take the units off the pair, and look for a supply wire on a bus terminal."
    elif size < NOTHING:
        level, words = (
            Level.ATTENTION,
            f"{volts(value)}: no bias is seen, or the wires are shorted.",
        )
        action = (
            "Fit one pair of bias resistors, at one place of the bus; rule out a short by the"
            " resistance, power off."
        )
    elif size < THRESHOLD:
        level = Level.ATTENTION
        words = (
            f"{volts(value)} is within the undefined range: bias is too weak, or too much loads it."
        )
        action = (
            "Count the terminators (two); then take smaller bias resistors, see the bias"
            " arithmetic."
        )
    elif labels is Labels.SIGN and value < 0:
        level = Level.WRONG
        words = f"{volts(value)}: the wire taken for D1 is the negative one. {_TURNED}"
        action = _TURNED_ACTION
    else:
        level, words, action = _sound_idle(value, labels, terminators)
    return Judgement(
        Measurement.IDLE, volts(value), level, words, action, _IDLE_LIMITS, _IDLE_SOURCE
    )


def judge_to_common(
    d1: float | None, d0: float | None, idle: float | None = None, labels: Labels = Labels.SIGN
) -> Judgement:
    """Judge each wire's idle voltage to common, in V; `idle` is the measured voltage of D1 over D0.

    `d1` is of the terminal marked D1 or +, or of A where `labels` are letters, whose sign says
    nothing.
    """
    if d1 is None or d0 is None:
        return _one_to_common(d1 if d0 is None else d0)
    low, high = COMMON_MODE
    middle = (d1 + d0) / 2
    level, action = Level.GOOD, ""
    words = f"The middle of the pair is {volts(middle)} from common, as drivers make it."
    if not (low < d1 < high and low < d0 < high):
        level, words, action = Level.WRONG, _OUTSIDE, _OUTSIDE_ACTION
    elif idle is not None and abs(d1 - d0 - idle) > MISFIT:
        level = Level.ATTENTION
        words = (
            f"These two differ by {volts(d1 - d0)}, yet {volts(idle)} was measured between the"
            " wires: both cannot hold."
        )
        action = (
            "Measure all three again while nothing talks, with the lead firmly on the same common."
        )
    elif labels is Labels.SIGN and d1 - d0 <= -THRESHOLD:
        level, action = Level.WRONG, _TURNED_ACTION
        words = f"The wire taken for D1 is {d0 - d1:.3f} V below the other one. {_TURNED}"
    elif idle is None and abs(d1 - d0) < THRESHOLD:
        level = Level.ATTENTION
        words = (
            f"The wires are {abs(d1 - d0):.3f} V apart, in the undefined range: no bias, too"
            " little, or a short."
        )
        action = (
            "Measure between the wires, which shows small voltages better than two readings do."
        )
    elif not DRIVER_COMMON_MODE[0] <= middle <= DRIVER_COMMON_MODE[1]:
        level = Level.ATTENTION
        words = (
            f"The middle of the pair is {volts(middle)} from common: it works, but the commons of"
            " two units may differ."
        )
        action = (
            "Check that the common conductor is connected at every unit, and to earth at one point"
            " only."
        )
    reading = f"{volts(d1)}, {volts(d0)}"
    return Judgement(
        Measurement.TO_COMMON, reading, level, words, action, _COMMON_LIMITS, _COMMON_SOURCE
    )


def judge_supply(
    value: float | None, nominal: float, lowest: float | None = None, highest: float | None = None
) -> Judgement:
    """Judge the supply in V at the far unit, under load, against its data sheet's `lowest` and
    `highest`.

    Where a data sheet figure is missing, 10 % around `nominal` stands in for it, and a miss only
    calls for attention. Raises `UsageError` if `nominal` is no voltage.
    """
    require(nominal, "The nominal supply", "V")
    if value is None:
        return not_measured(Measurement.SUPPLY)
    low = nominal * (1 - SUPPLY_BAND) if lowest is None else lowest
    high = nominal * (1 + SUPPLY_BAND) if highest is None else highest
    if value <= -NOTHING:
        level, words = Level.WRONG, f"{volts(value)}: plus and minus are swapped."
        action = "Switch off, and swap the supply wires before the unit is powered again."
    elif value < low:
        level, amount = (Level.ATTENTION, "may be") if lowest is None else (Level.WRONG, "is")
        words = (
            f"{volts(value)} {amount} too low at the far unit: expect resets, corrupted replies or"
            " lost settings."
        )
        action = (
            "Compare with the voltage at the supply: a drop on the way asks for thicker wire or a"
            " nearer supply."
        )
    elif value > high:
        level, amount = (Level.ATTENTION, "may be") if highest is None else (Level.WRONG, "is")
        words = f"{volts(value)} {amount} too much for the far unit."
        action = "Check what supply it is, before the unit suffers."
    else:
        level, words, action = Level.GOOD, f"{volts(value)} reaches the far unit.", ""
    given = "data sheet of the unit"
    stand_in = "common practice, 10 % of nominal; the unit's data sheet decides"
    return Judgement(
        Measurement.SUPPLY,
        volts(value),
        level,
        words,
        action,
        f"{low:.1f} to {high:.1f} V",
        stand_in if lowest is None or highest is None else given,
    )


def _one_to_common(value: float | None) -> Judgement:
    """One wire alone to common tells only whether it is outside what receivers stand."""
    low, high = COMMON_MODE
    if value is None:
        return not_measured(Measurement.TO_COMMON)
    if low < value < high:
        return replace(
            not_measured(Measurement.TO_COMMON),
            words=(
                "Only one wire was measured: nothing is known of the pair until the other one is."
            ),
            action="Measure the other wire to common too.",
        )
    return Judgement(
        Measurement.TO_COMMON,
        volts(value),
        Level.WRONG,
        _OUTSIDE,
        _OUTSIDE_ACTION,
        _COMMON_LIMITS,
        _COMMON_SOURCE,
    )


def _sound_idle(value: float, labels: Labels, terminators: int | None) -> tuple[Level, str, str]:
    """Words for an idle voltage that receivers recognise."""
    size = abs(value)
    named = ""
    action = ""
    if labels is Labels.LETTERS:
        d1 = d1_by_idle(value)
        convention = "transceiver chips name it" if d1 == "A" else "the standard names it"
        named = (
            f" The positive wire is {d1}, as {convention}, if the bias is the right way round: that"
            " wire is D1."
        )
        action = f"Connect the terminal that is positive in idle at every unit to this {d1}."
    if size > MOST_TERMINATED and terminators != 0:
        absent = "" if terminators else "no terminators, "
        words = (
            f"{volts(value)} is more than bias makes on a terminated pair: {absent}a driver that"
            " holds the pair, or bias stronger than usual."
        )
        return (
            Level.ATTENTION,
            words + named,
            "Measure the resistance, power off; then unplug units one by one. " + action,
        )
    margin = 1000 * (size - THRESHOLD)
    return (
        Level.GOOD,
        f"{volts(value)}: the pair is biased, {margin:.0f} mV above what receivers need.{named}",
        action,
    )

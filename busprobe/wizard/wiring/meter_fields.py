"""The meter form without its screen: fields by name, judged together."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from busprobe.errors import UsageError
from busprobe.wiring.inputs import USUAL_WIRE, cable_loop, number
from busprobe.wiring.meter import (
    Judgement,
    Level,
    Measurement,
    not_measured,
    parse_resistance,
    parse_voltage,
)
from busprobe.wiring.resistance import MeasuredPair, judge_resistance, terminators_by
from busprobe.wiring.voltage import judge_idle, judge_supply, judge_to_common
from busprobe.wiring.wire_names import Labels


@dataclass(frozen=True)
class MeterField:
    """One field of the form."""

    name: str
    label: str
    hint: str
    how: str
    """How it is measured, in one sentence (common practice)."""
    judged_at: str = ""
    """The field whose line shows the judgement, where several readings are judged together."""


FIELDS = (
    MeterField(
        "resistance",
        "A-B, power off",
        "ohm, or OL",
        "All power off, also of the adapter: measure between the two wires at one end.",
    ),
    MeterField(
        "idle",
        "A-B, powered, idle",
        "V with sign",
        "All units powered, no traffic: red lead on D1 (or +, or A), black lead on D0 (or -,"
        " or B).",
    ),
    MeterField(
        "d1",
        "D1/+/A to common",
        "V with sign",
        "Powered, idle: red lead on D1 (or +, or A), black lead on the common wire.",
        "d0",
    ),
    MeterField(
        "d0",
        "D0/-/B to common",
        "V with sign",
        "Powered, idle: red lead on D0 (or -, or B), black lead on the common wire.",
    ),
    MeterField(
        "supply",
        "Supply, far unit",
        "V",
        "At the unit farthest from its supply, with all units running.",
    ),
    MeterField(
        "nominal",
        "  it should be",
        "24, or 8-30",
        "What the supply should be, from the unit's label; or the range that its data sheet allows,"
        " like 8-30.",
        "supply",
    ),
    MeterField(
        "cable",
        "  cable length, m",
        "300, 300 0.75",
        "Only where it is long: m of cable from where you measure to the far end, with the wire"
        f" size if it is not {USUAL_WIRE}. Its resistance adds to what the meter shows.",
        "resistance",
    ),
)
"""The fields in the order they are measured."""

_DEFAULT_NOMINAL = 24.0

_RANGE = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*(?:-|to)\s*([0-9]+(?:[.,][0-9]+)?)\s*V?")


@dataclass(frozen=True)
class Judged:
    """All judgements, and what is wrong with fields that cannot be read."""

    by_field: Mapping[str, Judgement]
    """Under the field whose line shows it."""
    mistakes: Mapping[str, str]


def measured_kinds(judged: Judged) -> set[Measurement]:
    """What of the form has a reading that could be judged."""
    return {
        each.measurement
        for each in judged.by_field.values()
        if each.level is not Level.NOT_MEASURED
    }


def judge_form(typed: Mapping[str, str], labels: Labels) -> Judged:
    """Judge what was typed; an empty field is not measured."""
    values: dict[str, float | None] = {}
    mistakes = {}
    for name in (field.name for field in FIELDS if field.name not in ("nominal", "cable")):
        parse = parse_resistance if name == "resistance" else parse_voltage
        try:
            values[name] = parse(typed.get(name, ""))
        except UsageError as error:
            values[name] = None
            mistakes[name] = str(error)
    try:
        supply = _judge_supply(values["supply"], typed.get("nominal", ""))
    except UsageError as error:
        mistakes["nominal"] = str(error)
        supply = _not_judged(Measurement.SUPPLY, "it should be")
    terminators = None
    try:
        pair = MeasuredPair(loop=cable_loop(typed.get("cable", "")))
    except UsageError as error:
        mistakes["cable"] = str(error)
        resistance = _not_judged(Measurement.RESISTANCE, "cable length")
    else:
        resistance = judge_resistance(values["resistance"], pair)
        terminators = terminators_by(values["resistance"], pair)
    by_field = {
        "resistance": resistance,
        "idle": judge_idle(values["idle"], labels, terminators),
        "d0": judge_to_common(values["d1"], values["d0"], values["idle"], labels),
        "supply": supply,
    }
    return Judged(by_field, mistakes)


def _not_judged(measurement: Measurement, field: str) -> Judgement:
    """A reading that may be sound, and cannot be judged by a figure that is none."""
    return replace(
        not_measured(measurement),
        words=f"Not judged: '{field}' cannot be read.",
        action=f"Mend '{field}'.",
    )


def _judge_supply(value: float | None, wanted: str) -> Judgement:
    """Against a nominal voltage, or a range like ``8-30``; raises `UsageError`, also where the
    range is none."""
    if (match := _RANGE.fullmatch(wanted.strip())) is None:
        nominal = parse_voltage(wanted)
        return judge_supply(value, _DEFAULT_NOMINAL if nominal is None else nominal)
    lowest, highest = (number(text, "a voltage") for text in match.groups())
    if lowest >= highest:
        raise UsageError(
            f"'{wanted.strip()}' is no range.", todo="Write the lowest voltage first, like 8-30."
        )
    return judge_supply(value, (lowest + highest) / 2, lowest, highest)

"""The meter form without its screen: fields by name, judged together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.errors import UsageError
from busprobe.wiring.meter import Judgement, parse_resistance, parse_voltage
from busprobe.wiring.naming import Labels
from busprobe.wiring.resistance import judge_resistance
from busprobe.wiring.voltage import judge_idle, judge_supply, judge_to_common


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
        "All units powered, nobody talking: red lead on D1 (or +, or A), black lead on D0 (or -, or B).",
    ),
    MeterField("d1", "D1 (+) to common", "V", "Powered, idle: red lead on D1, black lead on the common wire.", "d0"),
    MeterField("d0", "D0 (-) to common", "V", "Powered, idle: red lead on D0, black lead on the common wire."),
    MeterField("supply", "Supply, far unit", "V", "At the unit farthest from its supply, with all units running."),
    MeterField("nominal", "  its nominal", "V, else 24", "What the supply should be, from the unit's label.", "supply"),
)
"""The fields in the order they are measured."""

_DEFAULT_NOMINAL = 24.0


@dataclass(frozen=True)
class Judged:
    """All judgements, and what is wrong with fields that cannot be read."""

    by_field: Mapping[str, Judgement]
    """Under the field whose line shows it."""
    mistakes: Mapping[str, str]


def judge_form(typed: Mapping[str, str], labels: Labels) -> Judged:
    """Judge what was typed; an empty field is not measured."""
    values: dict[str, float | None] = {}
    mistakes = {}
    for name in (field.name for field in FIELDS):
        parse = parse_resistance if name == "resistance" else parse_voltage
        try:
            values[name] = parse(typed.get(name, ""))
        except UsageError as error:
            values[name] = None
            mistakes[name] = str(error)
    idle = values["idle"] if labels is Labels.SIGN else None
    nominal = values["nominal"] if values["nominal"] is not None else _DEFAULT_NOMINAL
    try:
        supply = judge_supply(values["supply"], nominal)
    except UsageError as error:  # a nominal supply of 0 V can be read and is none
        mistakes["nominal"] = str(error)
        supply = judge_supply(values["supply"], _DEFAULT_NOMINAL)
    by_field = {
        "resistance": judge_resistance(values["resistance"]),
        "idle": judge_idle(values["idle"], labels),
        "d0": judge_to_common(values["d1"], values["d0"], idle),
        "supply": supply,
    }
    return Judged(by_field, mistakes)

"""The forms of the sums without their screen: fields with figures to begin with, and what is
reckoned from them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from busprobe.line.settings import LineSettings
from busprobe.wiring import figures, sums
from busprobe.wiring.arithmetic.bias import THRESHOLD
from busprobe.wiring.arithmetic.conductor import Conductor
from busprobe.wiring.calculations import Reckoned

Typed = Mapping[str, str]


@dataclass(frozen=True)
class SumField:
    """One figure that goes into a sum."""

    name: str
    label: str
    value: str
    """What stands there to begin with."""
    hint: str = ""
    """What may be typed, where it is empty."""


@dataclass(frozen=True)
class SumForm:
    """One sum."""

    title: str
    """As short as the list needs it."""
    fields: tuple[SumField, ...]
    reckon: Callable[[Typed], Reckoned]
    """Gives the result of what was typed, under the fields' names; raises `UsageError`."""


def sum_forms(settings: LineSettings, units: int) -> tuple[SumForm, ...]:
    """All sums, with the line's `settings` and the number of known `units`, the master not among
    them, filled in."""
    loads = f"{units + 1}x1"
    return (
        SumForm(
            "Fail-safe bias",
            (
                SumField("supply", "Bias supply, V", "5"),
                SumField(
                    "terminators",
                    "Terminators, Ω",
                    "120 120",
                    "none, if in series with a capacitor",
                ),
                SumField("loads", "Unit loads in all", str(units + 1)),
                SumField("wanted", "Idle voltage wanted, V", f"{THRESHOLD:g}"),
                SumField("resistor", "Or: resistors fitted, Ω", "", "each; gives the idle voltage"),
            ),
            _bias,
        ),
        SumForm(
            "Loads, repeaters",
            (
                SumField("loads", "Unit loads, cable order", loads, "20x1 8x0.125"),
                SumField("biased", "Is the pair biased?", "yes", "yes or no"),
            ),
            lambda typed: sums.loads(
                figures.unit_loads(typed["loads"].split()),
                biased=figures.yes(typed["biased"], "the bias"),
            ),
        ),
        SumForm(
            "Stub",
            (
                SumField(
                    "rise", "Driver's rise time, ns", "", "data sheet, 10 to 90 %; may be empty"
                ),
                SumField("derivations", "Derivations at the tap", "1"),
            ),
            lambda typed: sums.stub(
                _perhaps(typed["rise"], "the rise time"),
                figures.whole(typed["derivations"], "The number of derivations", 1, 100),
            ),
        ),
        SumForm(
            "Length, baud rate",
            (
                SumField("baud", "Baud rate", str(settings.baud)),
                SumField("cable", "Cable", "pair", ", ".join(figures.CABLES)),
                SumField("metres", "Length, m", "", "to be judged; may be empty"),
                SumField("wire", "Wire size", "AWG24", "AWG24, or mm² like 0.75"),
            ),
            _length,
        ),
        SumForm(
            "Voltage drop",
            (
                SumField("supply", "Supply, V", "24"),
                SumField("wire", "Wire size", "0.75", "AWG24, or mm² like 0.75"),
                SumField("units", "Units, m:A each", "50:0.1 120:0.1", "50:0.1 120:0.1"),
                SumField("celsius", "Copper, °C", "20"),
            ),
            lambda typed: sums.drop(
                figures.drains(typed["units"].split()),
                figures.number(typed["supply"], "the supply"),
                Conductor.parse(typed["wire"]),
                figures.number(typed["celsius"], "the temperature"),
            ),
        ),
        SumForm(
            "Time on the wire",
            (
                SumField("settings", "Line settings", str(settings), "9600-8N1"),
                SumField("registers", "Registers read", "2"),
                SumField("latency", "The unit's delay, ms", "", "3.5 characters if empty"),
            ),
            lambda typed: sums.wire_time(
                LineSettings.parse(typed["settings"]),
                figures.whole(typed["registers"], "The number of registers", 1, 125),
                _perhaps(typed["latency"], "the delay"),
            ),
        ),
        SumForm(
            "Bits on the wire",
            (
                SumField("settings", "Line settings", str(settings), "9600-8N1"),
                SumField("data", "Bytes", "01 03", "hex pairs"),
            ),
            lambda typed: sums.bits(
                figures.frame_bytes(typed["data"]), LineSettings.parse(typed["settings"])
            ),
        ),
    )


def _bias(typed: Typed) -> Reckoned:
    return sums.bias(
        figures.number(typed["supply"], "the supply"),
        figures.terminators(typed["terminators"]),
        figures.number(typed["loads"], "the unit loads"),
        resistor=_perhaps(typed["resistor"], "the resistors"),
        wanted=figures.number(typed["wanted"], "the idle voltage"),
    )


def _length(typed: Typed) -> Reckoned:
    return sums.length(
        figures.whole(typed["baud"], "The baud rate", 300, 4_000_000),
        figures.cabling(typed["cable"]),
        metres=_perhaps(typed["metres"], "the length"),
        wire=Conductor.parse(typed["wire"]) if typed["wire"].strip() else None,
    )


def _perhaps(text: str, what: str) -> float | None:
    """A number, or None where nothing was typed."""
    return figures.number(text, what) if text.strip() else None

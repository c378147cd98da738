"""What a multimeter shows, typed in by the technician, and how each reading is judged.

A judgement says what the reading fits, never more: several causes can give one reading, and a meter
averages whatever traffic there is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum

from busprobe.errors import UsageError


class Level(StrEnum):
    """What a reading is worth, in the words shown and stored."""

    GOOD = "good"
    ATTENTION = "attention"
    WRONG = "wrong"
    NOT_MEASURED = "not measured"


class Measurement(StrEnum):
    """What was measured."""

    RESISTANCE = "A-B resistance, power off"
    IDLE = "A-B idle voltage"
    TO_COMMON = "each wire to common, idle"
    SUPPLY = "supply at the far unit"


@dataclass(frozen=True)
class Judgement:
    """One measurement judged."""

    measurement: Measurement
    reading: str
    """The value with its unit; empty if not measured."""
    level: Level
    words: str
    """What the reading fits."""
    action: str
    """The next physical action; empty where there is none."""
    limits: str
    """The range the judgement rests on."""
    source: str
    """Where that range is published."""


def not_measured(measurement: Measurement) -> Judgement:
    """The judgement of a reading that was skipped: nothing is known, and the record says so."""
    return Judgement(
        measurement, "", Level.NOT_MEASURED, "Not measured: nothing is known of it.", "", "", ""
    )


_READING = re.compile(
    r"([-+−]?)\s*([0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)\s*([mkKM]?)\s*(V|v|volts?|Ω|Ω|ohms?|R)?"
)
_PREFIXES = {"": 1.0, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6}
_OVERLOAD = re.compile(r"[O0]\.?L\.?|open|overload", re.IGNORECASE)


def parse_resistance(text: str) -> float | None:
    """Ω from ``61``, ``61.2 ohm``, ``1.2k``; infinite for ``OL`` or ``open``; None for an empty
    text (not measured).

    Raises `UsageError` on anything else.
    """
    if _OVERLOAD.fullmatch(text.strip()):
        return math.inf
    value = _parse(
        text, "ohm", ("", "k", "K", "M", "m"), "like 61, 1.2k, or OL if the meter shows overload"
    )
    if value is not None and value < 0:
        raise UsageError(
            f"A resistance cannot be {text.strip()}.",
            todo="Measure with the power off: voltage fools an ohmmeter.",
        )
    return value


def parse_voltage(text: str) -> float | None:
    """V from ``0.3``, ``-0.25 V``, ``300 mV``; None for an empty text (not measured).  Raises
    `UsageError`."""
    return _parse(
        text, "v", ("", "m"), "like 0.3, -0.25 V or 300 mV, with the sign the meter shows"
    )


def _parse(text: str, unit: str, prefixes: tuple[str, ...], example: str) -> float | None:
    text = text.strip()
    if not text:
        return None
    match = _READING.fullmatch(text)
    if match is None or match[3] not in prefixes or not _is_unit(match[4], unit):
        raise UsageError(
            f"'{text}' is not a meter reading.",
            todo=f"Write what the meter shows, {example}.",
        )
    value = float(match[2].replace(",", ".")) * _PREFIXES[match[3]]
    return -value if match[1] in ("-", "−") else value


def _is_unit(written: str | None, unit: str) -> bool:
    if written is None:
        return True
    return (unit == "v") == written.lower().startswith("v")


def volts(value: float) -> str:
    """A voltage as it is written everywhere here: signed, to the millivolt below 10 V."""
    return f"{value:+.3f} V" if abs(value) < 10 else f"{value:+.1f} V"


def ohms(value: float) -> str:
    """A resistance as it is written everywhere here."""
    if math.isinf(value):
        return "open (overload)"
    return f"{value:.1f} Ω" if value < 1000 else f"{value / 1000:.2f} kΩ"

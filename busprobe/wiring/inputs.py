"""Inputs of the calculations: how each is called, asked for and read from what was typed."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass
from enum import Enum
from functools import partial
from typing import TypeVar

from busprobe.errors import UsageError
from busprobe.wiring.arithmetic.conductor import Conductor, Drain
from busprobe.wiring.arithmetic.trunk import CableKind

CABLES = {
    "pair": CableKind.TWISTED_PAIR,
    "cat5": CableKind.CATEGORY_5,
    "four-wire": CableKind.FOUR_WIRE_AS_TWO,
}
"""Kinds of trunk by the word typed for them."""

USUAL_WIRE = "AWG24"
"""What a bus cable has where nothing else is said: always wide enough (V1.02, section 3.6)."""

_MOST = 1000
"""Units on a cable, more than which are a slip of the finger."""

_ANSWERS = {"yes": True, "y": True, "no": False, "n": False}

_TIMES = re.compile(r"([0-9]{1,4})x(.+)", re.IGNORECASE)
_HEX = re.compile(r"([0-9A-Fa-f]{2}\s*)+")

Value = TypeVar("Value")


class By(Enum):
    """How a command is given an input."""

    OPTION = "option"
    ARGUMENTS = "arguments"
    """One or more, which its text separates by spaces."""
    FLAG = "flag"
    """By the flag alone: one of two texts."""


@dataclass(frozen=True)
class Flag:
    """An option of a command that stands for one text of an input."""

    option: str
    text: str
    help: str


@dataclass(frozen=True)
class Input:
    """What goes into a calculation, in the wizard's form and in the command."""

    name: str
    """Of the parameter of the calculation's function."""
    read: Callable[[str], object]
    """Gives the value of a text; raises `UsageError`."""
    label: str = ""
    """In the form, which leaves an input without a label at its default."""
    unit: str = ""
    default: str = ""
    """What counts where nothing is given."""
    _: KW_ONLY
    start: str = ""
    """What stands in the form to begin with, if not the default."""
    hint: str = ""
    """What may be typed, where the form's field is empty."""
    by: By = By.OPTION
    option: str = ""
    """If not as the name."""
    metavar: str = ""
    """What stands for its value in the command's help, if not the unit."""
    required: bool = False
    """Whether the command has no default for its option."""
    repeated: bool = False
    """Whether its option may be given several times, which its text separates by spaces."""
    help: str = ""
    """Of the option, if not the label with its unit."""
    flag: Flag | None = None
    """An option for what a text says in the form."""

    @property
    def field_label(self) -> str:
        """The label with the unit."""
        return f"{self.label}, {self.unit}" if self.unit else self.label

    def first(self, known: Mapping[str, str]) -> str:
        """What stands in the form to begin with, where `known` has texts of inputs by name."""
        return known.get(self.name) or self.start or self.default


def number(text: str, what: str) -> float:
    """A number, with a point or a comma; raises `UsageError` that names `what`."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(
            f"'{text.strip()}' is no number for {what}.", todo="Write one like 12 or 0.5."
        )
    return value


def number_for(what: str) -> Callable[[str], float]:
    """Reads a number for `what`."""
    return partial(number, what=what)


def whole(text: str, what: str, least: int, most: int) -> int:
    """A whole number from `least` to `most`; raises `UsageError` that names `what`."""
    value = number(text, what[0].lower() + what[1:])
    if value != int(value) or not least <= value <= most:
        raise UsageError(
            f"{what} cannot be {value:g}.", todo=f"Give a whole number from {least} to {most}."
        )
    return int(value)


def yes(text: str, what: str) -> bool:
    """Whether ``yes`` was typed, or ``no``; raises `UsageError` that names `what`."""
    word = text.strip().lower()
    if word not in _ANSWERS:
        raise UsageError(f"'{text}' is no answer to {what}.", todo="Write yes or no.")
    return _ANSWERS[word]


def optional(read: Callable[[str], Value]) -> Callable[[str], Value | None]:
    """Reads as `read` does, and None from an empty text."""
    return lambda text: read(text) if text.strip() else None


def unit_loads(text: str) -> tuple[float, ...]:
    """The load of each unit from ``1 0.125`` or, for twenty units of one each, ``20x1``."""
    loads: list[float] = []
    for part in text.split():
        match = _TIMES.fullmatch(part)
        loads += [number(match[2] if match else part, "a unit load")] * (
            int(match[1]) if match else 1
        )
    if not 0 < len(loads) <= _MOST:
        raise UsageError(
            "These are no loads of units.",
            todo=f"Give those of 1 to {_MOST} units, like 20x1 8x0.125.",
        )
    return tuple(loads)


def terminators(text: str) -> tuple[float, ...]:
    """Ω of each terminator that passes direct current from ``120 120``; none from ``none``, ``0``
    or nothing."""
    if text.strip().lower() in ("none", "0"):
        return ()
    return tuple(number(part, "a terminator") for part in text.split())


def drains(text: str) -> tuple[Drain, ...]:
    """Units on a supply pair from ``50:0.1 120:0.1``: m from the supply, and A."""
    return tuple(_drain(part) for part in text.split())


def cable_kind(text: str) -> CableKind:
    """The kind of trunk that `CABLES` names so; raises `UsageError`."""
    try:
        return CABLES[text.strip().lower()]
    except KeyError:
        raise UsageError(
            f"'{text}' is no kind of cable.", todo=f"Write {', '.join(CABLES)}."
        ) from None


def cable_loop(text: str) -> float:
    """Ω of both wires of a cable like ``300`` or ``300 0.75``: m, and its wire size where it is not
    `USUAL_WIRE`.

    0 for an empty text; raises `UsageError`.
    """
    metres, _, wire = text.strip().partition(" ")
    if not metres:
        return 0.0
    return Conductor.parse(wire or USUAL_WIRE).loop(number(metres, "the length of the cable"))


def frame_bytes(text: str) -> bytes:
    """Bytes from hex pairs like ``01 03`` or ``0103``; raises `UsageError`."""
    if not _HEX.fullmatch(text.strip()):
        raise UsageError(
            f"'{text.strip()}' is not bytes.",
            todo="Write pairs of hex digits, like 01 03 C5.",
        )
    return bytes.fromhex(text)


def _drain(text: str) -> Drain:
    metres, colon, amperes = text.partition(":")
    if not colon:
        raise UsageError(
            f"'{text}' is not a unit on the supply pair.",
            todo="Write its distance in m and its current in A, like 50:0.1.",
        )
    return Drain(number(metres, "a distance"), number(amperes, "a current"))

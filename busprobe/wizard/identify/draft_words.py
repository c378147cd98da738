"""How a draft is told on the screen: the rows of its tables, its states, and the help."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from busprobe.profiles.drafting.choice import Choice
from busprobe.profiles.drafting.data_sheet_line import SYNTAX
from busprobe.profiles.drafting.draft import Draft
from busprobe.profiles.drafting.interpretations import Interpretation, distinct
from busprobe.profiles.drafting.notes import Notes
from busprobe.profiles.registers import Numbering
from busprobe.wizard.common.signs import Sign

HELP = f"""\
Type one line for each value that the data sheet names, in any order; Enter adds it. Only the \
register has to be there. The unit is read all the while, and never written to.

{SYNTAX}

Each line is read in all sensible ways: both function codes, one register lower and higher, \
signed or not, all byte orders, the usual scales. Compare with the unit's own display; go to the \
table (arrow down), Enter shows the ways, Enter there takes one and Enter again lets it go. "31 \
-1" under Sheet means that the register is one below the data sheet's number.

In the upper table: Backspace puts the line back to be edited, Delete removes it. Ctrl+S saves the \
profile; F3 changes how the registers are counted; F4 shows all remarks and what the unit says of \
itself; F5 reads again where reading has ended. Esc goes one back: from the ways to the list, to \
the line, and out; what was typed stays in the job."""

_COUNTS = {
    None: "from 0 (not said)",
    Numbering.WIRE: "from 0, as on the wire",
    Numbering.ONE_BASED: "from 1",
    Numbering.REFERENCE: "by references, 30001/40001",
}

UNDERSTOOD = (
    ("function", "function {}"),
    ("type", "{}"),
    ("order", "{}"),
    ("scale", "x {}"),
    ("offset", "offset {}"),
    ("plausible_min", "from {}"),
    ("plausible_max", "to {}"),
    ("tells", "its {}"),
    ("tolerance", "±{}"),
    ("tolerance_percent", "±{} %"),
    ("channel", "of {}"),
    ("description", "'{}'"),
    ("shows", "display shows {}"),
)
"""Fields of a typed line, and how each is read back."""


ENDED = (
    "The unit is not read any more, so these values are old ones: F5 reads again. Where the adapter"
    " was pulled, close this (Esc), open the port again in step 1, and go on with d."
)

BEFORE_SAVING = "The address register is only kept for later moves; nothing is written to the unit."


def counting(notes: Notes) -> str:
    """How the registers are counted."""
    if notes.numbering_guessed:
        return "Counted by references, as it looks"
    return f"Counted {_COUNTS[notes.numbering]}"


def understood(point: Mapping[str, Any]) -> str:
    """A typed line read back, so that a slip shows before it is added."""
    parts = [f"'{point['name']}'", f"register {point['register']}"]
    if unit := point.get("unit"):
        parts.append(f"in {unit}")
    parts += [words.format(_short(point[name])) for name, words in UNDERSTOOD if name in point]
    if scale := point.get("scale_register"):
        parts.append(f"scale in register {scale['register']} ({scale['means']})")
    if names := point.get("names"):
        parts.append(", ".join(f"{number} is {name}" for number, name in names.items()))
    if codes := point.get("no_value"):
        parts.append("no value: " + " ".join(f"0x{code:X}" for code in codes))
    if "writable" in point:
        parts.append("a master may write it" if point["writable"] else "a master may only read it")
    if point.get("fixed"):
        parts.append("the same in every unit")
    return " · ".join(parts)


def _short(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def state(choice: Choice) -> Sign:
    """How settled a value is."""
    if choice.unasked and not choice.chosen:
        return Sign.TO_READ
    if not choice.ways:
        return Sign.SILENT if choice.silent else Sign.NOTHING
    if choice.agrees is False:
        return Sign.DIFFERS
    if choice.chosen:
        return Sign.CHOSEN
    if choice.doubt is not None:
        return Sign.ALIKE if choice.agrees else Sign.COMPARE
    if choice.agrees:
        return Sign.AGREES
    return Sign.OPEN if choice.open else Sign.LIKELY


_UNCERTAIN = {Sign.SILENT, Sign.DIFFERS, Sign.ALIKE, Sign.COMPARE, Sign.OPEN}
"""States in which more has to be known of a value."""


def point_cells(choice: Choice) -> tuple[str, str, str, str]:
    """Name, register of the data sheet, what it reads, and as what."""
    best = choice.best
    if best is None and choice.unasked:
        return choice.noted.name, str(choice.at.sheet), "…", ""
    if best is None:
        return (
            choice.noted.name,
            str(choice.at.sheet),
            "-",
            "no answer" if choice.silent else "no such register given",
        )
    point = best.point
    how = f"{point.function:02d}: {point.at.wire} {kind(best)}"
    return choice.noted.name, str(choice.at.sheet), best.reading.text, how


def ways(choice: Choice) -> Iterator[tuple[Interpretation, tuple[str, ...]]]:
    """Each way that gives another value, with: fits, value, function, register on the wire and in
    the data sheet, as what, raw."""
    for way in distinct(choice.ways):
        point = way.point
        off = {0: "", -1: " -1", 1: " +1"}[way.shift]
        raw = " ".join(f"{word:04X}" for word in way.reading.registers)
        fits = "chosen" if choice.chosen and way is choice.ways[0] else f"{way.plausibility:.2f}"
        register = f"{point.at.wire} (0x{point.at.wire:04X})"
        yield (
            way,
            (
                fits,
                way.reading.text,
                f"{point.function:02d}",
                register,
                f"{choice.at.sheet}{off}",
                kind(way),
                raw,
            ),
        )


def kind(way: Interpretation) -> str:
    """Type, order and scale: ``float32 CDAB``, ``int16 x 0.1``."""
    point = way.point
    order = f" {point.order}" if point.count > 1 else ""
    scale = f" x {way.reading.scale:g}" if way.reading.scale != 1 else ""
    return f"{point.type}{order}{scale}"


def to_do(draft: Draft | None) -> str:
    """What to do next, one sentence."""
    if draft is None or not draft.choices:
        return "Type what the data sheet says: 31 Wind speed m/s. Enter adds it."
    missing = [choice for choice in draft.choices if not choice.ways and not choice.unasked]
    if missing and missing[0].silent:
        return "The unit does not answer for all of it: is it still connected?"
    if missing:
        return f"Check the register of '{missing[0].noted.name}', or how they are counted (F3)."
    uncertain = [choice for choice in draft.choices if state(choice) in _UNCERTAIN]
    counted_otherwise = draft.numbering != (draft.notes.numbering or Numbering.WIRE)
    if uncertain and counted_otherwise and not any(choice.chosen for choice in draft.choices):
        return (
            f"It seems to count {_COUNTS[draft.numbering]}: F3 until the head of this screen"
            " says so."
        )
    if uncertain and all(choice.agrees for choice in uncertain):
        return "Two registers read alike: more lines may tell which, or Enter takes a way."
    if uncertain:
        return "Compare with the display: ↓ list, Backspace adds =23.5, Enter takes a way."
    return "Add more lines, or save the profile (Ctrl+S)."

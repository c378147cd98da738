"""The signs used everywhere: a character and a word each, coloured as a third way to tell them
apart."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import Literal

from rich.text import Text
from textual.widget import Widget

Tone = Literal["good", "attention", "wrong", "plain"]


class Sign(Enum):
    """A state as it is shown: character, colour, and the word that goes with it where no other is
    said."""

    UNIT = ("●", "good", "unit")
    CLASH = ("X", "wrong", "clash")
    UNSURE = ("?", "attention", "unsure")
    GOOD = ("✓", "good", "good")
    ATTENTION = ("!", "attention", "attention")
    WRONG = ("✖", "wrong", "wrong")
    NOT_MEASURED = ("·", "plain", "not measured")
    PLAUSIBLE = ("✓", "good", "plausible")
    IMPLAUSIBLE = ("!", "attention", "implausible")
    NO_RANGE = ("·", "plain", "no range")
    VERIFIED = ("✓", "good", "verified")
    KEPT = ("✓", "good", "kept")
    POWER_CYCLE = ("!", "attention", "cycle it")
    REFUSED = ("✖", "attention", "refused")
    UNCERTAIN = ("✖", "wrong", "not sure")
    NOT_KNOWN = ("?", "attention", "not known")
    TO_READ = ("…", "plain", "to read")
    SILENT = ("?", "attention", "silent")
    NOTHING = ("✖", "wrong", "nothing")
    DIFFERS = ("!", "attention", "differs")
    ALIKE = ("!", "attention", "alike")
    COMPARE = ("!", "attention", "compare")
    OPEN = ("!", "attention", "open")
    CHOSEN = ("✓", "good", "chosen")
    AGREES = ("✓", "good", "agrees")
    LIKELY = ("·", "plain", "likely")

    def __init__(self, character: str, tone: Tone, word: str) -> None:
        self.character = character
        self.tone: Tone = tone
        self.word = word


OF_KIND: Mapping[str, Sign] = {"unit": Sign.UNIT, "clash": Sign.CLASH, "unsure": Sign.UNSURE}
"""Sign by what was concluded of a place, an `EntryKind` or a kind of finding."""


def signed(widget: Widget, sign: Sign, word: str = "") -> Text:
    """`word`, or the sign's own, behind the sign, in its colour of the present theme."""
    return toned(widget, f"{sign.character} {word or sign.word}", sign.tone)


def toned(widget: Widget, words: str, tone: Tone) -> Text:
    """`words` as plain text (no markup) in the colour of `tone`."""
    theme = widget.app.current_theme
    colour = {
        "good": theme.success,
        "attention": theme.warning,
        "wrong": theme.error,
        "plain": None,
    }[tone]
    return Text(words, style=f"bold {colour}" if colour else "")

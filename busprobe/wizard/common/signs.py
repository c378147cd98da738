"""The signs used everywhere: a character and a word each, coloured as a third way to tell them
apart."""

from __future__ import annotations

from typing import Literal

from rich.text import Text
from textual.widget import Widget

Tone = Literal["good", "attention", "wrong", "plain"]

_SIGNS: dict[str, tuple[str, Tone]] = {
    "unit": ("●", "good"),
    "clash": ("X", "wrong"),
    "unsure": ("?", "attention"),
    "good": ("✓", "good"),
    "attention": ("!", "attention"),
    "wrong": ("✖", "wrong"),
    "not measured": ("·", "plain"),
    "plausible": ("✓", "good"),
    "implausible": ("!", "attention"),
    "verified": ("✓", "good"),
    "kept": ("✓", "good"),
    "cycle it": ("!", "attention"),
    "refused": ("✖", "attention"),
    "not sure": ("✖", "wrong"),
    "not known": ("?", "attention"),
    "open": ("!", "attention"),
    "no range": ("·", "plain"),
}


def signed(widget: Widget, word: str) -> Text:
    """`word` behind its sign, in its colour of the present theme."""
    sign, tone = _SIGNS[word]
    return toned(widget, f"{sign} {word}", tone)


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

"""Between widgets and terminal: text from outside is made harmless, and signs are put in those that
the terminal has."""

from __future__ import annotations

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter

from busprobe.text import plain

_SUBSTITUTE = "\N{REPLACEMENT CHARACTER}"


class HarmlessLines(LineFilter):
    """Shows a substitute for every character that is not printable, on every line that is drawn.

    A terminal gives such characters no cell, the substitute takes one: the line keeps its length
    and loses as much at its end.
    """

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:  # noqa: ARG002 - textual's signature
        """The segments of a line, with nothing in them that acts on the terminal."""
        if all(text.isprintable() for text, _, _ in segments):
            return segments
        shown = [
            Segment("".join(c if c.isprintable() else _SUBSTITUTE for c in text), style, control)
            for text, style, control in segments
        ]
        return Segment.adjust_line_length(shown, Segment.get_line_length(segments))


class PlainLines(LineFilter):
    """Shows signs, frames and units in the characters of an encoding, on every line that is
    drawn."""

    def __init__(self, encoding: str) -> None:
        super().__init__()
        self._encoding = encoding

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:  # noqa: ARG002 - textual's signature
        """The segments of a line, each as long as before."""
        shown = [
            Segment(plain(text, self._encoding), style, control)
            for text, style, control in segments
        ]
        return Segment.adjust_line_length(shown, Segment.get_line_length(segments))

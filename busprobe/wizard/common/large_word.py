"""A word drawn large enough to be read from two metres, from blocks of our own making."""

from __future__ import annotations

from rich.text import Text
from textual.widget import Widget

_GLYPHS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "A": (" # ", "# #", "###", "# #", "# #"),
    "C": (" ##", "#  ", "#  ", "#  ", " ##"),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "G": (" ##", "#  ", "# #", "# #", " ##"),
    "H": ("# #", "# #", "###", "# #", "# #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": ("###", "# #", "# #", "# #", "###"),
    "R": ("## ", "# #", "## ", "# #", "# #"),
    "S": (" ##", "#  ", " # ", "  #", "## "),
    "T": ("###", " # ", " # ", " # ", " # "),
    "U": ("# #", "# #", "# #", "# #", "###"),
    "W": ("# # #", "# # #", "# # #", "# # #", " # # "),
    "X": ("# #", "# #", " # ", "# #", "# #"),
    "?": ("###", "  #", " ##", "   ", " # "),
    "!": ("#", "#", "#", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
    ",": ("  ", "  ", "  ", " #", "# "),
    "+": ("   ", " # ", "###", " # ", "   "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
HEIGHT = 5


def drawn(word: str, across: int = 2) -> list[str]:
    """`word` as five lines of blocks, each block `across` cells wide; letters without a drawing are
    left out."""
    glyphs = [_GLYPHS[letter] for letter in word if letter in _GLYPHS]
    return [
        (" " * across).join(_widened(glyph[row], across) for glyph in glyphs)
        for row in range(HEIGHT)
    ]


def _widened(dots: str, across: int) -> str:
    return "".join("█" * across if dot == "#" else " " * across for dot in dots)


class LargeWord(Widget):
    """One word in blocks, as large as the width allows; in plain letters where it does not fit."""

    def __init__(self, word: str = "", *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._word = word

    def say(self, word: str) -> None:
        """Show another word."""
        self._word = word
        self.refresh()

    def render(self) -> Text:
        """The word, centred."""
        for across in (3, 2, 1):
            lines = drawn(self._word, across)
            if max(map(len, lines)) <= self.size.width:
                # Twice as high where the letters are wide, so that they keep their shape.
                times = 2 if across > 2 and self.size.height >= 2 * HEIGHT else 1
                tall = [line.center(self.size.width) for line in lines for _ in range(times)]
                return Text("\n".join(tall), no_wrap=True)
        return Text(self._word.center(self.size.width), style="bold")

"""A plot of reply times as they come: one column a poll, a failed poll marked by a letter."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable

from rich.text import Text
from textual.widget import Widget

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LABEL = 10
_KEPT = 512
"""Polls kept for the plot; wider than any terminal."""

FAILED = None
"""What stands for a poll without a reply time."""


def scale_top(largest: float) -> float:
    """A round number (1, 2 or 5 times a power of ten) not below `largest`; 1 for nothing."""
    if largest <= 0:
        return 1.0
    power: float = 10.0 ** math.floor(math.log10(largest))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= largest * (1 - 1e-9))


class ReplyPlot(Widget):
    """Milliseconds from request to reply, newest on the right."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._times: deque[float | None] = deque(maxlen=_KEPT)

    def add(self, milliseconds: float | None) -> None:
        """One more poll; `FAILED` where no sound reply came."""
        self._times.append(milliseconds)
        self.refresh()

    def show(self, times: Iterable[float | None]) -> None:
        """Replace what is shown."""
        self._times = deque(times, maxlen=_KEPT)
        self.refresh()

    def render(self) -> Text:
        """Rows of block characters with the scale at the left."""
        height = max(self.size.height, 2)
        shown = list(self._times)[-max(self.size.width - _LABEL, 1) :]
        top = scale_top(max((t for t in shown if t is not None), default=0.0))
        failed = self.app.current_theme.error
        lines = []
        for row in range(height):
            base = height - 1 - row
            label = f"{top:>5g} ms " if row == 0 else "    0 ms " if base == 0 else " " * (_LABEL - 1)
            line = Text(f"{label}│", no_wrap=True)
            for time in shown:
                if time is None:
                    line.append("x" if base == 0 else " ", style=f"bold {failed}")
                else:
                    line.append(_EIGHTHS[min(max(math.ceil(8 * (time / top * height - base)), 0), 8)])
            lines.append(line)
        return Text("\n").join(lines)

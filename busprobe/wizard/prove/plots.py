"""Plots of an endurance run in block characters: reply times as they come, how they spread,
failures over time.

Each says with signs and words what it says in colour, and fits into a few lines of 80 columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from rich.text import Text
from textual.widget import Widget

from busprobe.prove.proof import Proof
from busprobe.prove.statistics import RESOLUTION, Times

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LABEL = 10
_NAME = 15
_MANY = 9
"""Failures that a plot tells by a digit; more are one sign."""

_LEAST = 1e-6
"""Below it a scale means nothing, and powers of ten have too few digits to be told apart."""

FAILED = None
"""What stands for a poll without a reply time."""


class Plot(Widget):
    """What the chosen plot says; drawn anew when its size changes."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._times: tuple[float | None, ...] | None = None
        self._spread = Times()
        self._proof: Proof | None = None

    def show_times(self, times: Iterable[float | None]) -> None:
        """Milliseconds from request to reply, newest on the right; `FAILED` where no valid reply
        came."""
        self._times, self._proof = tuple(times), None
        self.refresh()

    def show_spread(self, times: Times) -> None:
        """How often a reply took how long."""
        self._times, self._proof, self._spread = None, None, times
        self.refresh()

    def show_failures(self, proof: Proof) -> None:
        """Failed polls of all units over the time of the run."""
        self._times, self._proof = None, proof
        self.refresh()

    def render(self) -> Text:
        """As many lines as there is room for."""
        width, height = max(self.size.width, 20), max(self.size.height, 2)
        if self._proof is not None:
            lines = failure_lines(self._proof, width, height)
        elif self._times is not None:
            lines = time_lines(self._times, width, height, f"bold {self.app.current_theme.error}")
        else:
            lines = spread_lines(self._spread, width, height)
        return Text("\n").join(lines)


def scale_top(largest: float) -> float:
    """A round number (1, 2 or 5 times a power of ten) not below `largest`; 1 for nothing, or next
    to nothing."""
    if largest < _LEAST:
        return 1.0
    power: float = 10.0 ** math.floor(math.log10(largest))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= largest * (1 - 1e-9))


def time_lines(
    times: Sequence[float | None], width: int, height: int, failed: str = ""
) -> list[Text]:
    """Reply times as they came: a column a poll, a failed one an x in the style `failed`."""
    shown = times[-max(width - _LABEL, 1) :]
    top = scale_top(max((t for t in shown if t is not None), default=0.0))
    lines = []
    for row in range(height):
        base = height - 1 - row
        label = f"{top:>5g} ms " if row == 0 else "    0 ms " if base == 0 else " " * (_LABEL - 1)
        line = Text(f"{label}│", no_wrap=True)
        for time in shown:
            if time is None:
                line.append("x" if base == 0 else " ", style=failed)
            else:
                line.append(_block(time / top * height - base))
        lines.append(line)
    return lines


def spread_lines(times: Times, width: int, height: int) -> list[Text]:
    """How often a reply took how long: bars along the time; below them M the median and 9 the 99 %
    mark."""
    if not times.steps:
        return [Text("No reply yet.")]
    room = max(width - _LABEL - 8, 10)
    low, high = min(times.steps), max(times.steps)
    thick = -(-(high - low + 1) // room)  # steps a bar counts
    bars = -(-(high - low + 1) // thick)
    wide = room // bars
    counts = [0] * bars
    for step, count in times.steps.items():
        counts[(step - low) // thick] += count
    most = max(counts)
    lines = []
    for row in range(height - 1):
        base = height - 2 - row
        label = f"{most:>8} " if row == 0 else " " * (_LABEL - 1)
        tall = (max(count / most * (height - 1), 0.125) if count else 0.0 for count in counts)
        lines.append(
            Text(f"{label}│{''.join(_block(each - base) * wide for each in tall)}", no_wrap=True)
        )
    axis = ["─"] * (bars * wide)
    for mark, seconds in (("9", times.percentile(99)), ("M", times.median)):
        if seconds is not None:
            axis[(round(seconds / RESOLUTION) - low) // thick * wide + wide // 2] = mark
    scale = f"{1000 * low * RESOLUTION:>6.1f} ms└{''.join(axis)} {1000 * high * RESOLUTION:.1f}"
    lines.append(Text(scale, no_wrap=True))
    return lines


def failure_lines(proof: Proof, width: int, height: int) -> list[Text]:
    """Failed polls over the time of the run: a line a unit that failed, the worst first kept where
    room is short.

    Marks below each other are one moment at several units, marks along a line are a matter of one.
    """
    failing = [unit for unit in proof.units if unit.failed]
    if not failing:
        return [Text(f"No poll of {len(proof.units)} units failed.")]
    columns = max(width - _NAME - 1, 10)
    room = height - 1
    if len(failing) > room:
        worst = sorted(failing, key=lambda unit: -unit.failed)[: room - 1]
        alone = [unit for unit in failing if unit in worst]
    else:
        alone = failing
    rows = [
        (str(unit.place), unit.failures_over_time.spread(proof.seconds, columns)) for unit in alone
    ]
    others = [
        unit.failures_over_time.spread(proof.seconds, columns)
        for unit in failing
        if unit not in alone
    ]
    if others:
        rows.append((f"{len(others)} others", tuple(map(sum, zip(*others, strict=True)))))
    lines = [
        Text(f"{name:<{_NAME}}│{''.join(map(_count, counts))}", no_wrap=True)
        for name, counts in rows
    ]
    end = f"{proof.seconds:.0f} s"
    lines.append(Text(f"{'':<{_NAME}}└0 s{end:>{columns - 3}}", no_wrap=True))
    return lines


def _block(eighths_of_row: float) -> str:
    """The block that fills so much of a row, from none to all of it."""
    return _EIGHTHS[min(max(math.ceil(8 * eighths_of_row), 0), 8)]


def _count(failures: int) -> str:
    return "·" if not failures else str(failures) if failures <= _MANY else "#"

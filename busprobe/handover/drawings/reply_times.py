"""Reply times of the endurance run as a drawing: how they spread at each unit, all on one scale."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busprobe.handover.drawings import svg
from busprobe.modbus.addresses import both_forms
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import RESOLUTION, Times

_LEFT, _PLOT, _RIGHT, _ROW, _HEAD, _FOOT = 150, 470, 260, 44, 8, 34
_BINS = 94
"""Bars over the width of the plot."""

_STEPS = (1, 2, 5)
"""Grid lines of each decade."""


def reply_plots(proof: Proof) -> svg.Element | None:
    """A strip a unit, on one logarithmic scale of milliseconds; `None` where nothing was
    measured."""
    units = [unit for unit in proof.units if unit.reply_times.count]
    if not units:
        return None
    height = _HEAD + len(units) * _ROW + _FOOT
    root = svg.drawing(
        _LEFT + _PLOT + _RIGHT, height, "Reply times of each unit in the endurance run"
    )
    scale = _Scale(units)
    for value in scale.grid:
        x = _LEFT + scale.place(value / 1000)
        svg.add(root, "line", x1=x, y1=_HEAD, x2=x, y2=height - _FOOT, class_="grid")
        svg.add(
            root,
            "text",
            f"{value:g}",
            x=x,
            y=height - _FOOT + 15,
            text_anchor="middle",
            class_="small",
        )
    svg.add(root, "text", "ms", x=_LEFT + _PLOT + 8, y=height - _FOOT + 15, class_="small")
    for n, unit in enumerate(units):
        _strip(root, unit, scale, _HEAD + n * _ROW)
    return root


class _Scale:
    """Seconds to places along the plot."""

    def __init__(self, units: Sequence[UnitTally]) -> None:
        steps = [step for unit in units for step in unit.reply_times.steps]
        self._low = math.log10(max(min(steps), 1) * RESOLUTION * 0.8)
        self._high = math.log10(max(*steps, 2) * RESOLUTION * 1.25)

    @property
    def grid(self) -> list[float]:
        """Milliseconds of the grid lines."""
        decades = range(math.floor(self._low) + 3, math.ceil(self._high) + 4)
        lines = [step * 10.0**decade for decade in decades for step in _STEPS]
        return [line for line in lines if self._low <= math.log10(line / 1000) <= self._high]

    def place(self, seconds: float) -> float:
        """Units of the drawing from the left of the plot."""
        logarithm = math.log10(max(seconds, RESOLUTION))
        return _PLOT * min(1.0, max(0.0, (logarithm - self._low) / (self._high - self._low)))


def _strip(root: svg.Element, unit: UnitTally, scale: _Scale, top: float) -> None:
    floor = top + _ROW - 8
    svg.add(root, "text", both_forms(unit.address), x=4, y=top + 18, class_="strong")
    svg.add(root, "text", str(unit.settings), x=4, y=top + 33, class_="small")
    svg.add(root, "line", x1=_LEFT, y1=floor, x2=_LEFT + _PLOT, y2=floor, class_="axis")
    for bar, share in _bars(unit.reply_times, scale):
        tall = max(1.5, share * (_ROW - 16))
        svg.add(
            root,
            "rect",
            x=_LEFT + bar * _PLOT / _BINS,
            y=floor - tall,
            width=_PLOT / _BINS,
            height=tall,
            class_="bar",
        )
    times = unit.reply_times
    named = (("median", times.median), ("99 %", times.percentile(99)), ("maximum", times.maximum))
    for name, seconds in named:
        if seconds is not None and name != "maximum":
            x = _LEFT + scale.place(seconds)
            svg.add(
                root,
                "line",
                x1=x,
                y1=top + 4,
                x2=x,
                y2=floor,
                class_="median" if name == "median" else "most",
            )
    words = ", ".join(
        f"{name} {1000 * seconds:.1f}" for name, seconds in named if seconds is not None
    )
    svg.add(root, "text", f"{words} ms", x=_LEFT + _PLOT + 12, y=top + 18, class_="small")
    many = f"{times.count} replies, {unit.failed} of {unit.polls} polls failed"
    svg.add(root, "text", many, x=_LEFT + _PLOT + 12, y=top + 33, class_="small")


def _bars(times: Times, scale: _Scale) -> list[tuple[int, float]]:
    """Bars with their heights as a share of the highest one of this unit."""
    counts: dict[int, int] = {}
    for step, count in times.steps.items():
        bar = min(_BINS - 1, int(scale.place(step * RESOLUTION) * _BINS / _PLOT))
        counts[bar] = counts.get(bar, 0) + count
    most = max(counts.values())
    return [(bar, count / most) for bar, count in sorted(counts.items())]

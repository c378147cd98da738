"""When polls failed in the endurance run, as a drawing: noise is one moment at many units, a bad
unit is one strip."""

from __future__ import annotations

from busprobe.handover.drawings import svg
from busprobe.modbus.addresses import both_forms
from busprobe.prove.proof import Proof

_LEFT, _PLOT, _RIGHT, _ROW, _FOOT = 150, 620, 110, 20, 22
_PARTS = 155
"""Parts of the run, each a mark where a poll failed in it."""


def failure_plot(proof: Proof) -> svg.Element | None:
    """A strip for each unit that was polled; `None` where no poll failed, or an old run does not
    say when."""
    units = [unit for unit in proof.units if unit.polls]
    if not any(unit.failures_over_time.counts for unit in units):
        return None
    floor = len(units) * _ROW
    root = svg.drawing(
        _LEFT + _PLOT + _RIGHT, floor + _FOOT, "Failed polls of each unit over the time of the run"
    )
    for n, unit in enumerate(units):
        y = n * _ROW
        svg.add(
            root,
            "text",
            f"{both_forms(unit.address)} {unit.settings}",
            x=4,
            y=y + 14,
            class_="small",
        )
        svg.add(
            root,
            "line",
            x1=_LEFT,
            y1=y + _ROW - 3,
            x2=_LEFT + _PLOT,
            y2=y + _ROW - 3,
            class_="axis",
        )
        for part, count in enumerate(unit.failures_over_time.spread(proof.seconds, _PARTS)):
            if count:
                x = _LEFT + part * _PLOT / _PARTS
                svg.add(
                    root, "rect", x=x, y=y + 4, width=_PLOT / _PARTS, height=_ROW - 7, class_="bar"
                )
        svg.add(
            root,
            "text",
            f"{unit.failed} of {unit.polls}",
            x=_LEFT + _PLOT + 8,
            y=y + 14,
            class_="small",
        )
    svg.add(root, "text", "0 s", x=_LEFT, y=floor + 14, class_="small")
    svg.add(
        root,
        "text",
        f"{proof.seconds:.0f} s",
        x=_LEFT + _PLOT,
        y=floor + 14,
        text_anchor="end",
        class_="small",
    )
    return root

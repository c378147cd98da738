from __future__ import annotations

from dataclasses import replace

from busprobe.handover.drawings import svg
from busprobe.handover.drawings.failed_polls import failure_plot
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import FailuresOverTime

SETTINGS = LineSettings.parse("9600-8N1")
SOUND = UnitTally(Place(11, SETTINGS), {Verdict.OK: 100})


def run(*units: UnitTally) -> Proof:
    return Proof(units, 1.0, 0.5, 0.0, seconds=100.0, rounds=100)


def test_each_failure_is_a_mark_on_its_units_strip_at_its_time() -> None:
    moments = FailuresOverTime().adding(0.0).adding(99.9)
    shaky = replace(
        SOUND,
        place=Place(12, SETTINGS),
        verdicts={Verdict.OK: 98, Verdict.SILENT: 2},
        failures_over_time=moments,
    )
    drawing = failure_plot(run(SOUND, shaky))
    assert drawing is not None
    bars = [float(bar.get("x", "")) for bar in drawing.iter("rect")]
    lines = list(drawing.iter("line"))
    assert len(bars) == 2
    start, end = float(lines[0].get("x1", "")), float(lines[0].get("x2", ""))
    assert bars[0] == start
    assert end - 10 < bars[1] < end
    assert "2 of 100" in svg.markup(drawing)


def test_without_a_failure_there_is_no_drawing() -> None:
    assert failure_plot(run(SOUND)) is None

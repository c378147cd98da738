from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from busprobe.handover.drawings import svg
from busprobe.handover.drawings.reply_times import reply_plots
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import Times
from tests.handover.hostile import EMPTY, proof_of


def run(**units: list[float]) -> Proof:
    """A run in which unit n answered after these milliseconds, given as ``u5=[...]``."""
    tallies = []
    for name, milliseconds in units.items():
        times = Times()
        for each in milliseconds:
            times = times.adding(each / 1000)
        verdicts = {Verdict.OK: len(milliseconds)}
        tallies.append(
            UnitTally(
                Place(int(name[1:]), LineSettings.parse("9600-8N1")), verdicts, reply_times=times
            )
        )
    return Proof(tuple(tallies), 1.0, 0.5, 0.0)


def shapes(proof: Proof, tag: str, class_: str) -> list[svg.Element]:
    drawing = reply_plots(proof)
    assert drawing is not None
    root = ElementTree.fromstring(svg.markup(drawing))  # noqa: S314 - our own drawing
    return [
        shape
        for shape in root.iter(f"{{http://www.w3.org/2000/svg}}{tag}")
        if shape.get("class") == class_
    ]


def places(proof: Proof, class_: str) -> list[float]:
    return [float(line.get("x1", "")) for line in shapes(proof, "line", class_)]


def test_without_a_measurement_there_is_no_plot() -> None:
    assert reply_plots(run()) is None
    assert reply_plots(run(u5=[])) is None


def test_each_unit_has_a_strip_with_its_numbers() -> None:
    found = run(u5=[10.0, 10.0, 20.0], u12=[100.0])
    assert [text.text for text in shapes(found, "text", "strong")] == ["5 (0x05)", "12 (0x0C)"]
    said = [text.text for text in shapes(found, "text", "small")]
    assert "median 10.0, 99 % 20.0, maximum 20.0 ms" in said
    assert "3 replies, 0 of 3 polls failed" in said


def test_all_units_share_one_scale() -> None:
    """Ten times as long is as far to the right, wherever it is: the scale is logarithmic."""
    one, ten, hundred = places(run(u1=[1.0], u2=[10.0], u3=[100.0]), "median")
    assert round(ten - one, 3) == round(hundred - ten, 3) > 50


def test_bars_tell_where_the_replies_were_and_are_as_tall_as_they_are_many() -> None:
    bars = shapes(run(u5=[10.0] * 9 + [40.0] * 3), "rect", "bar")
    heights = [float(bar.get("height", "")) for bar in bars]
    assert len(bars) == 2
    assert heights[0] == pytest.approx(3 * heights[1], rel=1e-4)
    assert float(bars[0].get("x", "")) < float(bars[1].get("x", ""))


def test_grid_lines_carry_their_milliseconds() -> None:
    said = {text.text for text in shapes(run(u5=[4.0, 60.0]), "text", "small")}
    assert {"5", "10", "20", "50", "ms"} <= said


def test_a_time_of_nothing_still_has_a_place() -> None:
    """Some adapters hand over the first byte before the request is known to have ended."""
    assert places(run(u5=[0.0]), "median")


def test_the_plots_come_from_the_proof_as_it_is_stored() -> None:
    stored = latest_proof(replace(EMPTY, proof=proof_of(12)))
    assert stored is not None
    assert [text.text for text in shapes(stored, "text", "strong")] == ["12 (0x0C)"]

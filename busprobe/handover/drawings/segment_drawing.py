"""The segment as a drawing: the master, the units in cable order, terminators as far as known,
clashes marked.

What is marked has a shape and a word of its own, so that it can be told on a black and white print.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from busprobe.handover.bus_list import BusList, SegmentSheet, State, UnitRow, as_said
from busprobe.handover.drawings import svg
from busprobe.handover.table import NOT_NOTED
from busprobe.job.records import EntryKind
from busprobe.modbus.addresses import both_forms
from busprobe.wiring.meter import Level, Measurement

PER_ROW = 5
"""Boxes side by side; the cable turns back at the end of a row, so that the order stays one line.
"""

_BOX, _GAP, _TALL, _EDGE, _TOP = 170, 18, 80, 40, 34
_ROW = _TALL + 56
_DROP = 18
"""From the cable down to the box of a unit."""

_LETTERS, _SMALL_LETTERS = 21, 26
"""Characters that fit into a box."""

_MARKS: Mapping[State, str] = {EntryKind.CLASH: "CLASH", EntryKind.UNSURE: "NOT CLEAR WHO"}
_CUT = 12
"""How much is cut off the corners of the box of a clash."""


def segment_drawing(bus_list: BusList) -> svg.Element:
    """The drawing; reserved addresses are nobody's and are not in it."""
    units = [unit for unit in bus_list.units if unit.found]
    boxes = len(units) + 1
    rows = -(-boxes // PER_ROW)
    width = 2 * _EDGE + min(boxes, PER_ROW) * (_BOX + _GAP) - _GAP
    root = svg.drawing(
        max(width, 480), _TOP + rows * _ROW + 26, "The segment: master and units along the cable"
    )
    places = [_place(n) for n in range(boxes)]
    _cable(root, places, units)
    _lengths(root, places, units)
    _master(root, places[0], bus_list.segment)
    twice = {
        address for address, times in Counter(unit.address for unit in units).items() if times > 1
    }
    for unit, (x, y) in zip(units, places[1:], strict=True):
        _unit(root, unit, x, y, twice=unit.address in twice)
    known, words = terminators(bus_list.segment)
    fitted = (
        bus_list.segment.cabling.terminator_at_master,
        *(unit.seen_on_site("terminator") for unit in units),
    )
    for n, (place, there) in enumerate(zip(places, fitted, strict=True)):
        if n == 0 or n == boxes - 1:
            # Where nobody looked, a resistance that fits two says that they are there, and the ends
            # are their place; one that does not fit cannot say which of them is missing.
            look = True if there is None and known and not any(fitted) else there
            _end(root, place, left=n == 0 or (boxes - 1) // PER_ROW % 2 == 1, there=look)
        elif there:
            _terminator(root, place[0] + _BOX / 2 - 11, place[1] - _DROP - 16, "T")
    places_noted = terminator_places(bus_list.segment, units)
    if places_noted != NOT_NOTED:
        words = f"{words} Fitted, as noted: {places_noted}."
    svg.add(root, "text", words, x=_EDGE, y=_TOP + rows * _ROW + 14, class_="small")
    return root


def terminators(segment: SegmentSheet) -> tuple[bool, str]:
    """Whether the resistance measured fits a terminator at both ends, and what is known of them in
    words."""
    for judgement in segment.wiring.document.get("judgements", ()) if segment.wiring else ():
        if judgement.get("measurement") == Measurement.RESISTANCE:
            fits = judgement.get("level") == Level.GOOD
            where = " Which ends they are at was not measured." if fits else ""
            return fits, f"Terminators: {judgement.get('words', '')}{where}"
    return False, "Terminators: not measured."


def terminator_places(segment: SegmentSheet, units: Sequence[UnitRow]) -> str:
    """Where terminators are fitted, as somebody noted it."""
    at = ["master"] if segment.cabling.terminator_at_master else []
    at += [
        as_said(
            " ".join(filter(None, (str(unit.address), unit.tag))),
            planned="terminator" in unit.planned,
        )
        for unit in units
        if unit.found and unit.terminator
    ]
    looked = segment.cabling.terminator_at_master is not None or any(
        unit.terminator is not None for unit in units if unit.found
    )
    return ", ".join(at) or ("none noted" if looked else NOT_NOTED)


def cable_order(units: Sequence[UnitRow]) -> str:
    """What is known of the order along the cable, in words."""
    found = [unit for unit in units if unit.found]
    unknown = [str(unit.address) for unit in found if unit.position is None]
    planned = [str(unit.address) for unit in found if "position" in unit.planned]
    words = ["Units are drawn in cable order, counted from the master."]
    if planned:
        words.append(
            f"The place along the cable is only planned of {', '.join(planned)}: dashed lines lead"
            " there."
        )
    if unknown:
        words.append(
            f"It is not known of {', '.join(unknown)}: drawn last, by address, behind a dashed"
            " line."
        )
    return " ".join(words)


def _place(number: int) -> tuple[float, float]:
    """Upper left corner of a box."""
    row, column = divmod(number, PER_ROW)
    if row % 2:
        column = PER_ROW - 1 - column
    return _EDGE + column * (_BOX + _GAP), _TOP + row * _ROW + _DROP


def _cable(
    root: svg.Element, places: Sequence[tuple[float, float]], units: Sequence[UnitRow]
) -> None:
    for n, unit in enumerate(units):
        (x1, y1), (x2, y2) = places[n], places[n + 1]
        look = "cable" if unit.seen_on_site("position") is not None else "cable unknown"
        start, end = (x1 + _BOX / 2, y1 - _DROP), (x2 + _BOX / 2, y2 - _DROP)
        points = [start, end]
        if y1 != y2:  # round the end of the row
            side = x1 + _BOX + _GAP if x1 > 2 * _EDGE else x1 - _GAP
            points = [start, (side, start[1]), (side, end[1]), end]
        svg.add(root, "polyline", points=" ".join(f"{x:g},{y:g}" for x, y in points), class_=look)
    for x, y in places:
        svg.add(root, "line", x1=x + _BOX / 2, y1=y - _DROP, x2=x + _BOX / 2, y2=y, class_="stub")


def _master(root: svg.Element, place: tuple[float, float], segment: SegmentSheet) -> None:
    x, y = place
    svg.add(root, "rect", x=x, y=y, width=_BOX, height=_TALL, rx=12, class_="box master")
    svg.add(root, "text", "Master", x=x + 8, y=y + 18, class_="strong")
    master = segment.cabling.master
    lines = (
        (master, "adapter at", segment.port) if master else ("(this job: the tester)", segment.port)
    )
    for n, text in enumerate(lines):
        svg.add(
            root,
            "text",
            svg.shortened(text, _SMALL_LETTERS),
            x=x + 8,
            y=y + 34 + 16 * n,
            class_="small",
        )


def _unit(root: svg.Element, unit: UnitRow, x: float, y: float, *, twice: bool) -> None:
    box = svg.add(root, "g")
    words = [_MARKS[unit.state]] if unit.state in _MARKS else []
    if twice:
        words.append("SAME ADDRESS TWICE")
    if unit.state is EntryKind.CLASH or twice:
        right, low = x + _BOX, y + _TALL
        corners = (
            *((x + _CUT, y), (right - _CUT, y), (right, y + _CUT), (right, low - _CUT)),
            *((right - _CUT, low), (x + _CUT, low), (x, low - _CUT), (x, y + _CUT)),
        )
        svg.add(
            box, "polygon", points=" ".join(f"{a:g},{b:g}" for a, b in corners), class_="box clash"
        )
    else:
        look = "box" if unit.state is EntryKind.UNIT else "box unsure"
        svg.add(box, "rect", x=x, y=y, width=_BOX, height=_TALL, class_=look)
    what = " ".join(filter(None, (unit.maker, unit.model))) or "not identified"
    lines = (
        ("strong", both_forms(unit.address)),
        ("", _tag(unit)),
        ("small", svg.shortened(what, _SMALL_LETTERS)),
        ("small", unit.settings),
    )
    for n, (look, text) in enumerate(lines):
        svg.add(box, "text", text, x=x + 8, y=y + 17 + 17 * n, class_=look)
    if words:
        svg.add(
            box,
            "text",
            ", ".join(words),
            x=x + _BOX / 2,
            y=y + _TALL + 13,
            text_anchor="middle",
            class_="mark",
        )


def _tag(unit: UnitRow) -> str:
    words = unit.tag_words.removeprefix(unit.tag)
    return f"{svg.shortened(unit.tag or 'no tag', _LETTERS - len(words))}{words}"


def _end(root: svg.Element, place: tuple[float, float], *, left: bool, there: bool | None) -> None:
    """Beyond the box at an end of the cable, in the direction of its row: T, T? where it is not
    known, or nothing."""
    x, y = place[0], place[1] - _DROP
    middle, side = x + _BOX / 2, x - 26 if left else x + _BOX + 4
    look = "" if there is not None else " unknown"
    svg.add(root, "line", x1=middle, y1=y, x2=side + (22 if left else 0), y2=y, class_=f"end{look}")
    if there is False:
        svg.add(root, "text", "no T", x=side + 11, y=y + 4, text_anchor="middle", class_="mark")
    else:
        _terminator(root, side, y - 7, "T" if there else "T?", look)


def _terminator(root: svg.Element, x: float, y: float, mark: str, look: str = "") -> None:
    svg.add(root, "rect", x=x, y=y, width=22, height=14, class_=f"terminator{look}")
    svg.add(root, "text", mark, x=x + 11, y=y + 11, text_anchor="middle", class_="mark")


def _lengths(
    root: svg.Element, places: Sequence[tuple[float, float]], units: Sequence[UnitRow]
) -> None:
    """Metres of cable between two boxes, where both distances are known."""
    before: float | None = 0.0
    for n, unit in enumerate(units):
        here = unit.distance_m if unit.position is not None else None
        if before is not None and here is not None and here >= before:
            (x1, y1), (x2, y2) = places[n], places[n + 1]
            bend = (
                -40 if x2 < 2 * _EDGE else 40
            )  # between the end of the row and the box, not past the box
            x = (x1 + x2 + _BOX) / 2 if y1 == y2 else x2 + _BOX / 2 + bend
            svg.add(
                root,
                "text",
                as_said(f"{here - before:g} m", planned="distance_m" in unit.planned),
                x=x,
                y=y2 - _DROP - 5,
                text_anchor="middle",
                class_="small",
            )
        before = here

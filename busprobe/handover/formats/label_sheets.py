"""Labels ready to print: ``unit-labels.html`` for the units and ``cable-labels.html`` for the ends
of the cables.

Sheets of A4 with labels of sizes that stationers sell everywhere (common practice); print them at
100 %.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.formats.pages import render
from busprobe.job.records import EntryKind
from busprobe.modbus.addresses import both_forms


@dataclass(frozen=True)
class LabelSheet:
    """An A4 sheet of equal labels; lengths in mm."""

    across: int
    down: int
    width: float
    height: float
    gap: float
    """Between two labels side by side; there is none between those one below the other."""

    @property
    def side(self) -> float:
        """Margin left and right."""
        return round((210 - self.across * self.width - (self.across - 1) * self.gap) / 2, 2)

    @property
    def top(self) -> float:
        """Margin above and below."""
        return round((297 - self.down * self.height) / 2, 2)

    @property
    def labels(self) -> int:
        """How many there are on a sheet."""
        return self.across * self.down

    @property
    def words(self) -> str:
        """The sheet as to ask for it in a shop."""
        size = f"{self.width:g} x {self.height:g} mm"
        return f"A4, {self.labels} labels of {size}, {self.across} across, {self.down} down"


UNIT_SHEET = LabelSheet(across=3, down=8, width=70, height=37, gap=0)
CABLE_SHEET = LabelSheet(across=5, down=13, width=38.1, height=21.2, gap=2.5)


@dataclass(frozen=True)
class Label:
    """One label: a line to be read from afar, and smaller ones."""

    large: str
    lines: tuple[str, ...]


def files(bus_list: BusList) -> dict[str, bytes]:
    """Names and contents of both files."""
    return {name: sheet.page(bus_list) for name, sheet in LABEL_FILES.items()}


def unit_labels(bus_list: BusList) -> Iterator[Label]:
    """One label a unit; where not one unit answers there is nothing to stick it on."""
    for unit in bus_list.units:
        if unit.state is EntryKind.UNIT:
            name = " ".join(filter(None, (bus_list.segment.site, bus_list.segment.segment)))
            what = " ".join(filter(None, (unit.maker, unit.model)))
            yield Label(
                both_forms(unit.address), (unit.tag, unit.settings, what, unit.location, name)
            )


def cable_labels(bus_list: BusList) -> Iterator[Label]:
    """Two labels, one an end, for each length of cable whose both ends are known."""
    for number, start, end in _lengths(bus_list.units):
        names = ["Master" if unit is None else _short(unit) for unit in (start, end)]
        for here, there in (names, names[::-1]):
            yield Label(
                f"{bus_list.segment.segment} / {number}".lstrip(" /"),
                (f"here: {here}", f"to: {there}"),
            )


def _lengths(units: tuple[UnitRow, ...]) -> Iterator[tuple[int, UnitRow | None, UnitRow]]:
    """The lengths of cable between neighbours, counted from the master; a place that two units
    claim is nobody's."""
    claims = Counter(unit.position for unit in units)
    at = {
        unit.position: unit
        for unit in units
        if unit.position is not None and claims[unit.position] == 1
    }
    for position, unit in sorted(at.items()):
        if position == 1 or position - 1 in at:
            yield position, at.get(position - 1), unit


def _short(unit: UnitRow) -> str:
    return " ".join(filter(None, (str(unit.address), unit.tag)))


@dataclass(frozen=True)
class LabelFile:
    """A file of labels of one kind."""

    title: str
    sheet: LabelSheet
    labels: Callable[[BusList], Iterable[Label]]
    note: str = ""
    """What to know of its labels, in plain words."""

    def page(self, bus_list: BusList) -> bytes:
        """Its content."""
        labels = list(self.labels(bus_list))
        size = self.sheet.labels
        sheets = [labels[first : first + size] for first in range(0, len(labels), size)]
        return render(
            "labels.html", title=self.title, sheet=self.sheet, sheets=sheets, note=self.note
        )


LABEL_FILES: Mapping[str, LabelFile] = {
    "unit-labels.html": LabelFile("Unit labels", UNIT_SHEET, unit_labels),
    "cable-labels.html": LabelFile(
        "Cable labels",
        CABLE_SHEET,
        cable_labels,
        "Labels for cables follow the units' places along the cable. Where a place is not known"
        " there is no label: a wrong one is worse than none.",
    ),
}
"""The files by their names."""

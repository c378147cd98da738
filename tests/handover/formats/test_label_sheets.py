from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.handover.bus_list import BusList, UnitRow
from busprobe.handover.formats import label_sheets
from busprobe.handover.formats.label_sheets import (
    CABLE_SHEET,
    UNIT_SHEET,
    LabelSheet,
    cable_labels,
    unit_labels,
)
from busprobe.job.records import EntryKind
from tests.handover.hostile import EMPTY


def listing(*units: UnitRow) -> BusList:
    return replace(EMPTY, segment=replace(EMPTY.segment, segment="Hall 2"), units=units)


def unit(address: int, position: int | None, tag: str = "") -> UnitRow:
    return UnitRow(
        number=address,
        state=EntryKind.UNIT,
        address=address,
        settings="9600-8N1",
        position=position,
        tag=tag,
    )


def cables(*units: UnitRow) -> list[tuple[str, ...]]:
    return [(label.large, *label.lines) for label in cable_labels(listing(*units))]


def test_each_unit_has_a_label_with_both_forms_of_its_address() -> None:
    found = listing(
        unit(12, 1, "TT-12"),
        replace(unit(13, 2), state=EntryKind.CLASH),
        UnitRow(number=3, state="reserved", address=1),
    )
    (label,) = unit_labels(found)
    assert label.large == "12 (0x0C)"
    assert label.lines[:2] == ("TT-12", "9600-8N1")


def test_each_length_of_cable_has_a_label_at_either_end() -> None:
    assert cables(unit(12, 1, "TT-12"), unit(5, 2)) == [
        ("Hall 2 / 1", "here: Master", "to: 12 TT-12"),
        ("Hall 2 / 1", "here: 12 TT-12", "to: Master"),
        ("Hall 2 / 2", "here: 12 TT-12", "to: 5"),
        ("Hall 2 / 2", "here: 5", "to: 12 TT-12"),
    ]


@pytest.mark.parametrize(
    "units",
    [
        (unit(12, None), unit(5, None)),
        (unit(12, 2), unit(5, 4)),
        (unit(12, 1), unit(5, 1)),
    ],
)
def test_where_the_neighbours_are_not_known_there_is_no_label(units: tuple[UnitRow, ...]) -> None:
    """Places unknown, with a gap between them, or claimed twice."""
    assert cables(*units) == []


@pytest.mark.parametrize("sheet", [UNIT_SHEET, CABLE_SHEET])
def test_the_labels_fill_an_a4_sheet_and_no_more(sheet: LabelSheet) -> None:
    """A4 is 210 x 297 mm (ISO 216, from memory)."""
    wide = sheet.across * sheet.width + (sheet.across - 1) * sheet.gap + 2 * sheet.side
    assert (round(wide, 1), round(sheet.down * sheet.height + 2 * sheet.top, 1)) == (210, 297)
    assert sheet.side >= 0
    assert sheet.top >= 0


def test_more_labels_than_a_sheet_has_go_on_to_the_next() -> None:
    found = listing(*(unit(n, n) for n in range(1, 27)))
    text = label_sheets.files(found)["unit-labels.html"].decode()
    assert text.count('<div class="sheet">') == 2
    assert text.count('<div class="label">') == 26
    assert "A4, 24 labels of 70 x 37 mm, 3 across, 8 down" in text


def test_a_list_without_units_has_nothing_to_label() -> None:
    for content in label_sheets.files(EMPTY).values():
        assert "There is nothing to label yet." in content.decode()

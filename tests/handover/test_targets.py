"""Where a master keeps each point: read from a list, proposed by a rule, and what does not fit
together."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.errors import FileError
from busprobe.handover.bus_list import PointRow
from busprobe.handover.files import EXPORTERS
from busprobe.handover.formats.csv_files import safe_cell
from busprobe.handover.targets import Order, Rule, problems, proposed
from busprobe.job.records import Target
from busprobe.line.place import Place
from busprobe.session.session import Session
from tests.handover.site import clean_site


@pytest.fixture
def session(tmp_path: Path) -> Iterator[Session]:
    with clean_site(tmp_path) as made:
        yield made


def point(name: str, count: int = 1, *, address: int = 1, target: str = "") -> PointRow:
    return PointRow(
        address=address,
        settings="9600-8N1",
        tag=f"T-{address}",
        profile=None,
        name=name,
        register=0,
        sheet_register=None,
        numbering=None,
        function=3,
        count=count,
        type="uint16",
        word_order=None,
        unit="",
        scale=1.0,
        offset=None,
        plausible_min=None,
        plausible_max=None,
        registers=None,
        value=None,
        text="",
        plausible=None,
        target=Target(address=target),
    )


POINTS = (point("A", 2, address=9), point("B", 1, address=9), point("A", 2, address=4))


def numbers(rule: Rule, points: tuple[PointRow, ...] = POINTS) -> list[tuple[int, str, str]]:
    made = proposed(points, rule)
    return [(place.address, name, target.address) for (place, name), target in made.items()]


def test_a_rule_gives_each_point_the_next_address() -> None:
    assert numbers(Rule(100)) == [(9, "A", "100"), (9, "B", "102"), (4, "A", "103")]
    assert numbers(Rule(100, step=10)) == [(9, "A", "100"), (9, "B", "110"), (4, "A", "120")]


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (Order.ADDRESS, [(4, "A", "0"), (9, "A", "2"), (9, "B", "4")]),
        (Order.POINT, [(9, "A", "0"), (4, "A", "2"), (9, "B", "4")]),
        (Order.TAG, [(4, "A", "0"), (9, "A", "2"), (9, "B", "4")]),
    ],
)
def test_the_order_is_that_of_the_rule(order: Order, expected: list[tuple[int, str, str]]) -> None:
    assert numbers(Rule(0, order=order)) == expected


def test_what_was_noted_stays_unless_all_is_made_anew() -> None:
    noted = (point("A", 2, target="7"), point("B", 1))
    assert numbers(Rule(100), noted) == [(1, "B", "100")]
    assert numbers(Rule(100, anew=True), noted) == [(1, "A", "100"), (1, "B", "102")]


def test_a_variable_is_named_after_tag_and_point() -> None:
    [target] = proposed((point("Flow rate (L1)"),), Rule(0)).values()
    assert target.variable == "T_1_Flow_rate_L1"
    noted = replace(point("P"), target=Target(variable="mine"))
    [kept] = proposed((noted,), Rule(5)).values()
    assert kept == Target("mine", "5")


def test_overlaps_gaps_and_what_is_missing_are_told() -> None:
    found = problems(
        (
            point("A", 2, target="100"),
            point("B", 2, target="101"),
            point("C", 1, target="110"),
            point("D", 1, target="MW5"),
            point("E", 1, target="MW5"),
            point("F", 1),
        )
    )
    assert [(one.kind.value, one.first, one.last) for one in found if one.first is not None] == [
        ("overlap", 101, 101),
        ("gap", 103, 109),
    ]
    words = [one.words for one in found]
    assert words == [
        "101: T-1 A and T-1 B overlap.",
        "103 to 109 are free, before T-1 C.",
        "MW5 is given to T-1 D and T-1 E.",
        "No address yet: T-1 F.",
    ]


def test_a_long_value_overlaps_all_that_lie_within_it() -> None:
    found = problems(
        (point("A", 10, target="0"), point("B", 1, target="2"), point("C", 1, target="8"))
    )
    assert [one.words for one in found] == [
        "2: T-1 A and T-1 B overlap.",
        "8: T-1 A and T-1 C overlap.",
    ]


def test_a_list_is_read_back_as_the_sheet_was_filled_in(session: Session, tmp_path: Path) -> None:
    sheet = EXPORTERS["polling"](session.bus_list())["master-points.csv"].decode("utf-8-sig")
    [first, *_] = list(csv.DictReader(io.StringIO(sheet, newline="")))
    first |= {"Master variable": "=v0", "Master address": "40"}
    filled = tmp_path / "filled.csv"
    with filled.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(first))
        writer.writeheader()
        writer.writerow({name: safe_cell(cell) for name, cell in first.items()})
    assert session.note_targets(filled) == 1
    [row] = [p for p in session.bus_list().points if p.target != Target()]
    assert (row.address, row.name, row.target) == (11, "Temperature", Target("=v0", "40"))


def test_a_short_list_names_units_by_their_tags(session: Session, tmp_path: Path) -> None:
    path = tmp_path / "targets.csv"
    path.write_text("tag;point;master address\nTE-102;Humidity;MW 12\nFM-101;Status;300\n")
    assert session.note_targets(path) == 2
    noted = {
        p.target.address: (p.tag, p.name) for p in session.bus_list().points if p.target.address
    }
    assert noted == {"MW 12": ("TE-102", "Humidity"), "300": ("FM-101", "Status")}
    session.job.move_unit(
        Place.parse("12 9600-8N1"), Place.parse("99 9600-8N1"), how_set="register 5"
    )
    moved = [p.address for p in session.bus_list().points if p.target.address == "MW 12"]
    assert moved == [99], "it goes with the unit"


def test_every_mistake_has_its_line(session: Session, tmp_path: Path) -> None:
    path = tmp_path / "targets.csv"
    path.write_text(
        "tag,address,point,master address\n"
        "XX-1,,Humidity,1\n"
        "TE-102,,Pressure,2\n"
        ",77,Humidity,3\n"
        ",,Humidity,4\n"
        "TE-102,,Humidity,5\n"
        ",12,Humidity,6\n"
    )
    with pytest.raises(FileError) as caught:
        session.note_targets(path)
    assert [str(mistake) for mistake in caught.value.mistakes] == [
        "line 2, tag: no unit on the list has the tag 'XX-1'",
        "line 3, point: 'Pressure' is no point of this unit: Temperature, Humidity",
        "line 4, address: no unit is listed at 77 (0x4D)",
        "line 5, tag: a tag or an address is needed",
        "line 7, point: 'Humidity' of unit 12 comes twice",
    ]

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings

from busprobe.handover.bus_list import BusList
from busprobe.handover.files import EXPORTERS
from busprobe.handover.preview import papers
from tests.handover.hostile import proof_of, saying, texts


def shown(bus_list: BusList) -> dict[str, str]:
    return {paper.name: "\n".join(paper.lines) for paper in papers(bus_list)}


def test_every_file_that_would_be_written_can_be_read_before(bus_list: BusList) -> None:
    found = shown(bus_list)
    assert list(found) == [name for export in EXPORTERS.values() for name in export(bus_list)]
    assert all(found.values())
    assert "Site: Mill Lane" in found["segment.csv"]
    assert "Serial no.: 00451" in found["bus-list.csv"]
    assert found["bus-list.csv"].startswith("4 rows")
    assert found["journal.csv"].startswith("1 row\n")
    assert '"format": "busprobe.buslist/1"' in found["bus-list.json"]
    assert "Units: 4 rows" in found["bus-list.xlsx"]


def test_labels_are_shown_as_they_are_printed(bus_list: BusList) -> None:
    found = shown(bus_list)
    assert found["unit-labels.html"].startswith("2 labels")
    assert "12 (0x0C)\n  TT-12" in found["unit-labels.html"]
    assert found["cable-labels.html"].startswith("4 labels"), "two a length of cable"


def test_what_is_in_the_page_is_said(bus_list: BusList) -> None:
    page = shown(bus_list)["bus-list.html"]
    assert "Terminators: not measured." in page
    assert "No reply-time plots: no endurance run" in page
    assert "Left open for a pen: Project, Document number, Witness" in page
    proven = shown(replace(bus_list, proof=proof_of(12)))["bus-list.html"]
    assert "Reply-time plots of 1 unit" in proven.splitlines()


@settings(deadline=None, max_examples=15)
@given(texts, texts, texts)
def test_no_paper_brings_control_codes_to_the_screen(tag: str, place: str, name: str) -> None:
    assert all(
        line.isprintable() for paper in papers(saying(tag, place, name)) for line in paper.lines
    )

"""Each hand-over is a revision, kept in the job, with what changed since the one before; every
page says which."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.handover.bus_list import BusList, Revision
from busprobe.handover.formats import html_page, markdown_file
from busprobe.handover.formats.html_page import css_string
from busprobe.job.job import Job
from busprobe.job.plan import PlannedUnit
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.session.session import Session
from busprobe.wizard.common.unit_form import noted_unit
from tests.handover.conftest import SETTINGS
from tests.job.conftest import quick_disk

__all__ = ["quick_disk"]

TWELVE = Place.parse(f"12 {SETTINGS}")


@pytest.fixture
def session(tmp_path: Path, quick_disk: None) -> Iterator[Session]:
    with Job.create(tmp_path / "hall.busjob", site="Mill", segment="Hall", tester="R. Vale") as job:
        job.put_unit(UnitRecord(TWELVE))
        yield Session(job, load_all([shipped_folder()]), plan=(PlannedUnit("TT-12", 12),))


def revisions(session: Session) -> tuple[Revision, ...]:
    return session.papers().revisions


def test_a_second_hand_over_is_revision_b_with_what_changed(
    session: Session, tmp_path: Path
) -> None:
    session.job.set_meta(document_number="D-100", reason="Acceptance")
    assert [each.letter for each in revisions(session)] == ["A"], "as it would be issued"
    session.hand_over(tmp_path / "a", ["csv"])
    first = revisions(session)
    assert [each.letter for each in first] == ["A"], "nothing changed: it is the same issue"
    assert (first[0].author, first[0].reason) == ("R. Vale", "Acceptance")
    session.job.set_meta(reason="Tags seen on site")
    session.note_unit(TWELVE, noted_unit(location="Roof"))
    session.confirm([TWELVE])
    session.job.put_unit(UnitRecord(Place.parse(f"13 {SETTINGS}")))
    session.hand_over(tmp_path / "b", ["csv", "html"])
    kept, second = revisions(session)
    assert kept == first[0]
    assert (second.letter, second.reason) == ("B", "Tags seen on site")
    assert second.changed == (
        f"12 {SETTINGS} Tag: TT-12 (planned) to TT-12; Location: none to Roof",
        f"13 {SETTINGS} added",
    )
    session.job.remove_unit(TWELVE)
    assert revisions(session)[-1].changed == (f"12 {SETTINGS} removed",)
    table = (tmp_path / "b" / "revisions.csv").read_text(encoding="utf-8-sig").splitlines()
    assert [line.split(",")[0] for line in table] == ["Revision", "A", "B"]


def test_every_page_names_its_document_and_revision(session: Session) -> None:
    session.job.set_meta(project="P-7", document_number="D-100")
    page = html_page.files(session.papers())["bus-list.html"].decode()
    shown = {
        where: re.sub(r"\\([0-9a-f]{6}) ", lambda code: chr(int(code[1], 16)), text)
        for where, text in re.findall(r'@(top-left|bottom-left) \{ content: "([^"]*)"', page)
    }
    assert shown["top-left"] == "P-7 · Mill · Hall · D-100 · revision A"
    assert re.fullmatch(r"printed from job hall.busjob at .* UTC", shown["bottom-left"])
    assert 'counter(page) " of " counter(pages)' in page
    for who in ("Installer", "Witness", "Client"):
        assert f"{who}: name, date, signature" in page
    assert "D-100" in markdown_file.files(session.papers())["bus-list.md"].decode()


@pytest.mark.parametrize("text", ['"; } </style><script>', "\\a", "\u202e\n", "Größe & Maß"])
def test_no_text_ends_the_string_of_a_style_sheet(text: str) -> None:
    made = css_string(text)
    assert re.fullmatch(r'"(?:[A-Za-z0-9 ]|\\[0-9a-f]{6} )*"', made)


def test_hostile_text_at_the_head_of_pages_is_no_markup(bus_list: BusList) -> None:
    hostile = replace(bus_list, segment=replace(bus_list.segment, project="</style><script>x"))
    page = html_page.files(hostile)["bus-list.html"].decode()
    assert "<script" not in page
    assert page.count("</style>") == 1

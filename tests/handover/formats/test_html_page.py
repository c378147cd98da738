from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats import html_page, label_sheets
from busprobe.handover.formats.pages import moment
from busprobe.handover.table import cell_text
from busprobe.handover.tables.papers import page_tables
from busprobe.job import Cabling
from busprobe.text import harmless
from tests.handover.hostile import EMPTY, MARKUP, saying, texts

TAGS = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "header",
    "section",
    "div",
    "h1",
    "h2",
    "p",
    "ul",
    "li",
}
TAGS |= {"table", "thead", "tbody", "tr", "th", "td"}
TAGS |= {"svg", "g", "rect", "line", "polyline", "polygon", "text"}
ATTRIBUTES = {
    "lang",
    "charset",
    "http-equiv",
    "content",
    "name",
    "class",
    "xmlns",
    "viewbox",
    "width",
    "height",
}
ATTRIBUTES |= {
    "role",
    "aria-label",
    "x",
    "y",
    "x1",
    "x2",
    "y1",
    "y2",
    "rx",
    "points",
    "text-anchor",
}

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


class Seen(HTMLParser):
    """What a reader of HTML makes of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.cells: list[str] = []
        self.drawn: list[str] = []
        self._open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        if tag != "meta":
            self._open.append(tag)
        if tag in ("td", "th"):
            self.cells.append("")
        if tag == "text":
            self.drawn.append("")

    def handle_endtag(self, tag: str) -> None:
        if self._open.pop() != tag:
            raise AssertionError(f"{tag} closes something else")

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] in ("td", "th"):
            self.cells[-1] += data
        if self._open and self._open[-1] == "text":
            self.drawn[-1] += data


def page(bus_list: BusList) -> str:
    (content,) = html_page.files(bus_list).values()
    return content.decode()


def pages(bus_list: BusList) -> list[str]:
    return [
        page(bus_list),
        *(content.decode() for content in label_sheets.files(bus_list).values()),
    ]


def test_the_page_shows_every_cell_of_its_tables(bus_list: BusList) -> None:
    seen = Seen(page(bus_list))
    wanted = [
        moment(cell_text(cell))
        for table in page_tables(bus_list)
        for row in table.rows
        for cell in row
    ]
    assert set(wanted) <= set(seen.cells)
    assert {"12 (0x0C)", "5 (0x05)", "Master"} <= set(seen.drawn)


def test_the_page_is_complete_in_itself(bus_list: BusList) -> None:
    """Nothing is loaded, and the browser is told that nothing may be."""
    for text in pages(bus_list):
        assert "default-src 'none'" in text
        assert not re.search(r"(src|href|url|@import)\s*[=(]", text)
        assert set(re.findall(r"https?://[^\s\"']+", text)) <= {"http://www.w3.org/2000/svg"}


def test_what_was_not_tested_stands_ahead_of_what_was_found(bus_list: BusList) -> None:
    text = page(bus_list)
    assert text.index("The wiring was not measured.") < text.index("Units: who is there")


def test_what_nobody_noted_is_left_open_for_a_pen_and_the_rest_is_not(bus_list: BusList) -> None:
    noted = replace(
        bus_list, segment=replace(bus_list.segment, cabling=Cabling(cable="2 x 2 x 0.8"))
    )
    assert "Cable type" in html_page.by_hand(bus_list)
    assert "Cable type" not in html_page.by_hand(noted)
    assert set(html_page.PEN) <= set(html_page.by_hand(noted))
    assert "2 x 2 x 0.8" in Seen(page(noted)).cells


def test_an_empty_list_claims_nothing() -> None:
    text = page(EMPTY)
    assert "Site not named" in text
    assert "Terminators: not measured." in text
    assert "Reply times" not in text


def check_harmless(bus_list: BusList) -> None:
    for text in pages(bus_list):
        seen = Seen(text)
        assert seen.tags <= TAGS
        assert seen.attributes <= ATTRIBUTES
        assert all(character.isprintable() or character == "\n" for character in text)


@pytest.mark.parametrize("text", MARKUP)
def test_texts_that_mean_something_to_a_format_are_only_shown(text: str) -> None:
    check_harmless(saying(text, text, text))
    assert harmless(text) in Seen(page(saying(text, text, text))).cells


@settings(deadline=None, max_examples=25)
@given(texts, texts, texts)
def test_no_text_becomes_markup(tag: str, place: str, name: str) -> None:
    check_harmless(saying(tag, place, name))


@pytest.mark.skipif(
    CHROMIUM is None,
    reason=(
        "this check needs a browser and none is installed: put chromium, chromium-browser or"
        " google-chrome on the PATH to run it (the tests do not install one; without it the page is"
        " checked as text only)"
    ),
)
def test_a_browser_runs_and_loads_nothing_of_a_hostile_list(tmp_path: Path) -> None:
    """All texts at once, as a browser that runs scripts and mends bad markup sees them."""
    hostile = " ".join(MARKUP)
    file = tmp_path / "bus-list.html"
    file.write_text(page(saying(hostile, hostile, hostile)), encoding="utf-8")
    ran = subprocess.run(
        [
            str(CHROMIUM),
            *(
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-extensions",
                "--no-first-run",
            ),
            *(f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", file.as_uri()),
        ],
        capture_output=True,
        timeout=60,
        check=True,
    )
    document = ran.stdout.decode()
    seen = Seen(document)
    assert seen.tags <= TAGS
    assert seen.attributes <= ATTRIBUTES
    assert "<title>Bus list" in document
    assert "<title>owned" not in document
    assert harmless(hostile) in seen.cells

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from markdown_it import MarkdownIt
from markdown_it.token import Token

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats import markdown_file
from busprobe.handover.tables.papers import page_tables
from busprobe.text import harmless
from tests.handover.hostile import EMPTY, MARKUP, saying, texts

READER = MarkdownIt("gfm-like")
"""Tables, strikethrough, HTML and links in plain text: what could go wrong does here."""

STRUCTURE = {"heading", "paragraph", "bullet_list", "list_item", "inline", "text"}
STRUCTURE |= {"table", "thead", "tbody", "tr", "th", "td"}


def tokens(text: str) -> Iterator[Token]:
    for token in READER.parse(text):
        yield token
        yield from token.children or ()


def content(bus_list: BusList) -> str:
    (written,) = markdown_file.files(bus_list).values()
    return written.decode()


def kinds(text: str) -> set[str]:
    return {token.type.removesuffix("_open").removesuffix("_close") for token in tokens(text)}


def test_the_list_reads_back_as_tables(bus_list: BusList) -> None:
    found = list(READER.parse(content(bus_list)))
    headings = [after.content for token, after in pairwise(found) if token.type == "heading_open"]
    assert headings == [
        "Bus list Mill Lane Hall 2",
        "Attention",
        "Not tested",
        *(table.title for table in page_tables(bus_list)),
    ]
    cells = [token.content for token in found if token.type == "inline"]
    assert {"TT-12", "Garnet Sensing", "0x0C", "-5.2 °C"} <= {
        cell.replace("\\", "") for cell in cells
    }


def test_every_row_has_every_column(bus_list: BusList) -> None:
    columns = rows = 0
    for token in READER.parse(content(bus_list)):
        columns += token.type in ("td_open", "th_open")
        rows += token.type == "tr_open"
    tables = [table for table in page_tables(bus_list) if table.rows]
    assert rows == sum(len(table.rows) + 1 for table in tables)
    assert columns == sum((len(table.rows) + 1) * len(table.columns) for table in tables)


def test_an_empty_list_claims_nothing() -> None:
    text = content(EMPTY)
    assert "Nothing that was looked at needs attention." in text
    assert "not tested" in text


@pytest.mark.parametrize("text", MARKUP)
def test_texts_that_mean_something_to_a_format_are_only_shown(text: str) -> None:
    assert kinds(content(saying(text, text, text))) <= STRUCTURE


@settings(deadline=None, max_examples=40)
@given(texts, texts, texts)
def test_no_text_becomes_markup(tag: str, place: str, name: str) -> None:
    written = content(saying(tag, place, name))
    assert kinds(written) <= STRUCTURE
    assert all(character.isprintable() for character in written.replace("\n", ""))


@settings(deadline=None, max_examples=150)
@given(texts)
def test_an_escaped_text_shows_exactly_what_it_says(text: str) -> None:
    shown = harmless(text)
    inside = [
        token.content
        for token in tokens(f"- {markdown_file.escaped(shown)}")
        if token.type == "text"
    ]
    assert "".join(inside) == shown.strip()

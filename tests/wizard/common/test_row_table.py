"""The list that every step uses: its keys, its filter, and what is drawn of it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import ClassVar

import pytest
from rich.text import Text
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.pilot import Pilot
from textual.widgets import Static

from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.row_table import RowTable

COLUMNS = (
    Column("Address", right=True, first_word=True, brief="Addr"),
    Column("Finding", first_word=True, brief="F."),
    Column("What it is", least=12),
)


class Listed(App[None]):
    """A list of 247 rows that are told when they are turned to and taken; a letter is a key of the
    app."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("a", "letter"), Binding("slash", "slash")]
    CSS = "RowTable { height: 10; }"

    def __init__(self) -> None:
        super().__init__()
        self.turned_to: list[object] = []
        self.taken: list[object] = []
        self.letters = 0
        self.table: RowTable[int] = RowTable(COLUMNS, id="list")

    def compose(self) -> ComposeResult:
        yield self.table
        yield Static("below")

    def on_mount(self) -> None:
        self.table.fill(rows(247))
        self.table.focus()

    def on_row_table_highlighted(self, event: RowTable.Highlighted) -> None:
        self.turned_to.append(event.table.chosen)

    def on_row_table_selected(self, event: RowTable.Selected) -> None:
        self.taken.append(event.table.chosen)

    def action_letter(self) -> None:
        self.letters += 1


def rows(count: int) -> list[tuple[int, list[Text | str]]]:
    what = ("Aldermoor Instruments AT-10", "Corran Drives CD-2")
    return [
        (n, [f"{n} (0x{n:02X})", Text("● unit", style="green"), what[n % 2]])
        for n in range(1, count + 1)
    ]


@asynccontextmanager
async def listed(width: int = 60) -> AsyncIterator[tuple[Listed, Pilot[None]]]:
    app = Listed()
    async with app.run_test(size=(width, 20)) as pilot:
        await pilot.pause()
        yield app, pilot


def drawn(app: Listed) -> list[str]:
    return [app.table.render_line(y).text for y in range(app.table.size.height)]


async def test_end_shows_the_last_row_as_the_last_line_and_home_the_first() -> None:
    async with listed() as (app, pilot):
        assert drawn(app)[1].startswith("▸  1 (0x01)")
        await pilot.press("end")
        assert app.table.chosen == 247
        assert drawn(app)[-1].startswith("▸247 (0xF7)")
        assert len([line for line in drawn(app) if line.strip()]) == 10
        await pilot.press("pageup")
        assert app.table.chosen == 247 - 9
        await pilot.press("up", "down", "down", "home")
        assert app.table.chosen == 1
        assert drawn(app)[1].startswith("▸  1 (0x01)")
        assert not app.table.show_horizontal_scrollbar


async def test_a_slash_shows_only_rows_with_all_words_that_are_typed() -> None:
    async with listed() as (app, pilot):
        await pilot.press("down", "down", *"/corran")
        assert app.letters == 0
        assert app.table.row_count == 124
        assert app.table.chosen == 3, "the row that was looked at passes"
        await pilot.press("space", *"(0xF7)", "enter")
        assert app.table.chosen == 247
        assert "1 of 247" in drawn(app)[0]
        await pilot.press("a")
        assert app.letters == 1, "letters are keys again"
        await pilot.press("enter")
        assert app.taken == [247]
        app.table.fill(rows(20))
        assert app.table.row_count == 0
        assert app.table.chosen is None
        await pilot.press("enter", "escape")
        assert app.table.row_count == 20
        assert "of 20" not in drawn(app)[0]


async def test_the_cursor_stays_on_its_row_when_the_list_is_filled_anew() -> None:
    async with listed() as (app, pilot):
        await pilot.press("down", "down")
        app.table.fill([(0, ["0", "", ""]), *rows(100)])
        await pilot.pause()
        assert app.table.chosen == 3
        assert app.turned_to == [1, 2, 3]
        app.table.fill(rows(2))
        await pilot.pause()
        assert app.table.chosen == 2
        assert app.turned_to[-1] == 2


async def test_a_click_puts_the_cursor_and_a_second_takes_the_row() -> None:
    async with listed() as (app, pilot):
        await pilot.press("end")
        await pilot.click("#list", offset=(5, 8))
        assert (app.table.chosen, app.taken) == (246, [])
        await pilot.click("#list", offset=(5, 8))
        assert app.taken == [246]
        await pilot.click("#list", offset=(5, 0))
        assert app.taken == [246]


@pytest.mark.parametrize("width", [12, 20, 30, 40, 60, 200])
async def test_no_cell_touches_the_next_and_what_is_cut_ends_in_an_ellipsis(width: int) -> None:
    async with listed(width) as (app, pilot):
        await pilot.press("end")
        for line in drawn(app):
            assert Text(line).cell_len == width - 2, "one scroll bar of two characters"
        row = drawn(app)[-1]
        assert row.removeprefix("▸").lstrip().startswith("247 ")
        what = (
            row[1:]
            .replace("247", "", 1)
            .replace("(0xF7)", "")
            .replace("●", "")
            .replace("unit", "")
            .strip()
        )
        assert "Corran Drives CD-2".startswith(what.removesuffix("…"))
        assert what.endswith("…") or what in ("", "Corran Drives CD-2")
        if width >= 50:
            assert what == "Corran Drives CD-2"


async def test_a_cell_is_plain_text_on_one_line() -> None:
    async with listed() as (app, pilot):
        app.table.fill([(1, ["[bold]1[/]", "one\ntwo", "[red]x"])])
        await pilot.pause()
        assert app.table.row(0) == ("[bold]1[/]", "one two", "[red]x")
        assert "[bold]1[/]" in drawn(app)[1]

"""What must hold on every screen, whatever the terminal and however many units: nothing is cut
unless it says so, and not while there is room; what a dialog asks is in sight."""

from __future__ import annotations

import pytest
from rich.cells import cell_len
from textual.errors import NoWidget
from textual.geometry import Region
from textual.screen import ModalScreen
from textual.widget import Widget
from textual.widgets import Button, Static

from busprobe.job import Job
from busprobe.wizard.common.row_table import RowTable
from tests.wizard.conftest import Wizard
from tests.wizard.jobs import fill
from tests.wizard.person import Person

SCREENS = (
    *("1", "2", "2 c", "2 exclamation_mark", "2 h", "3", "3 e", "4", "4 t", "4 y", "4 e"),
    *("5", "5 p", "5 m", "5 tab enter", "5 equals_sign", "5 b", "5 j", "5 f9", "5 f1", "5 ctrl+p"),
    *("6", "6 e", "6 c", "6 c t", "6 f6", "7", "7 t", "7 t enter", "7 o", "7 f", "7 minus"),
)
"""Keys that lead to each screen, by step."""

SIZES = ((60, 20), (80, 24))


async def go_to(person: Person, keys: str) -> None:
    while len(person.app.screen_stack) > 1:
        person.app.pop_screen()
        await person.look()
    await person.press("escape", *keys.split())
    await person.look()


def in_sight(person: Person, widget: Widget) -> Region:
    """The part of a widget that is on the screen."""
    try:
        return person.app.screen.find_widget(widget).visible_region
    except NoWidget:
        return Region()


def cut_rows(table: RowTable[object], width: int) -> list[str]:
    """Rows of which a cell is cut without saying so, or although half the screen is empty."""
    wrong = []
    lines = {table.render_line(y).text[1:].strip() for y in range(table.size.height)}
    for number in range(table.row_count):
        cells = table.row(number)
        for line in lines:
            left, cut = line, False
            for cell in cells:
                words = cell.strip()
                if left.startswith(words):
                    left = left[len(words) :].lstrip()
                    continue
                kept = left.split("…", 1)[0]
                if "…" in left and words.startswith(kept):
                    left, cut = left[len(kept) + 1 :].lstrip(), True
                elif left.startswith(f"{words.split(' ')[0]} "):
                    left = left[len(words.split(" ")[0]) :].lstrip()
            if not left and cut and cell_len(line) < width / 2:
                wrong.append(line)
    return wrong


def faults(person: Person) -> list[str]:
    """What is wrong with the screen that is in front."""
    screen = person.app.screen
    found = []
    for table in screen.query(RowTable):
        if table.region.area and table.show_horizontal_scrollbar:
            found.append(f"{table.id} scrolls sideways")
        if table.region.area:
            found += [f"cut: {line}" for line in cut_rows(table, screen.size.width)]
    for words in screen.query(Static):
        shown = in_sight(person, words)
        if not shown.area or words.region != shown or not words.content_size.width:
            continue  # scrolled out of sight, where a scroll bar says so
        needed = words.get_content_height(screen.size, screen.size, words.content_size.width)
        last = person.screen.splitlines()[shown.bottom - 1][shown.x : shown.right]
        if needed > words.content_size.height and "…" not in last:
            found.append(f"cut: {last.strip()}")
    return found


def hidden_buttons(person: Person) -> list[str]:
    """Buttons of the dialog in front that are not wholly in its box."""
    screen = person.app.screen
    box = in_sight(person, screen.query_one(".box"))
    return [
        str(button.label)
        for button in screen.query(Button)
        if (seen := in_sight(person, button)) != button.region or not box.contains_region(seen)
    ]


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_nothing_is_cut_unless_it_says_so_on_any_screen(
    wizard: Wizard, job: Job, size: tuple[int, int]
) -> None:
    fill(job, 32)
    async with wizard("site", size=size) as person:
        seen = {}
        for keys in SCREENS:
            await go_to(person, keys)
            seen[keys] = faults(person)
        assert {keys: found for keys, found in seen.items() if found} == {}


async def test_the_buttons_of_every_dialog_are_in_sight_at_40x12(wizard: Wizard, job: Job) -> None:
    fill(job, 6)
    async with wizard("site", size=(40, 12)) as person:
        dialogs = 0
        for keys in SCREENS:
            await go_to(person, keys)
            if not isinstance(person.app.screen, ModalScreen):
                continue
            dialogs += 1
            await person.wait_until(lambda: not hidden_buttons(person), "A button is not in sight")
            assert person.app.screen.query_one(".body").size.height >= 2, person.screen
        assert dialogs > 12


@pytest.mark.parametrize("count", [1, 247])
async def test_end_is_the_last_unit_in_every_list(wizard: Wizard, job: Job, count: int) -> None:
    fill(job, count)
    async with wizard("site", size=(80, 24)) as person:
        for keys, name in (("4", "units"), ("5", "movers"), ("6", "tallies"), ("7", "bus-list")):
            await go_to(person, keys)
            table = person.app.screen.query_one(f"#{name}", RowTable)
            await person.press("end")
            assert table.cursor_row == table.row_count - 1
            last = table.render_line(table.size.height - 1).text
            assert last.startswith("▸"), person.screen
            assert str(count) in last.split() or f"{count} " in last
            await person.press("slash", *str(count), "enter", "escape")
            assert table.row_count >= count - 1

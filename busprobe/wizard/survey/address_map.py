"""The map of all unit addresses, 25 in a row, filling up as a survey goes on."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message
from textual.reactive import reactive
from textual.strip import Strip
from textual.widget import Widget

from busprobe.modbus.addresses import FIRST, LAST

COLUMNS = 25
_ROWS = LAST // COLUMNS + 1
_LABEL = 4
_NARROWEST, _WIDEST = 2, 4


class Mark(Enum):
    """What is known of an address: sign, word, and the component class that colours it."""

    UNASKED = ("·", "not asked", "unasked")
    SILENT = ("-", "silent", "silent")
    ASKING = ("▸", "asking now", "asking")
    UNIT = ("●", "unit", "unit")
    CLASH = ("X", "clash", "clash")
    UNSURE = ("?", "unsure", "unsure")

    @property
    def sign(self) -> str:
        """One character."""
        return self.value[0]

    @property
    def word(self) -> str:
        """The word used in the legend."""
        return self.value[1]

    @property
    def component(self) -> str:
        """The component class."""
        return f"map--{self.value[2]}"


LEGEND = "   ".join(f"{mark.sign} {mark.word}" for mark in Mark)
"""One line that explains the signs."""


class AddressMap(Widget, can_focus=True):
    """Addresses 1 to 247 with a cursor; each cell shows a `Mark`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {mark.component for mark in Mark} | {
        "map--label",
        "map--cursor",
    }
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "move(-1)", show=False),
        Binding("right", "move(1)", show=False),
        Binding("up", f"move({-COLUMNS})", show=False),
        Binding("down", f"move({COLUMNS})", show=False),
        Binding("home", "go(1)", show=False),
        Binding("end", "go(247)", show=False),
        Binding("enter", "choose", "Evidence", show=False),
    ]

    cursor: reactive[int] = reactive(FIRST, init=False)
    """The address under the cursor."""

    @dataclass
    class Moved(Message):
        """The cursor is at another address."""

        address: int

    @dataclass
    class Chosen(Message):
        """Enter or a click on an address."""

        address: int

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._marks: dict[int, Mark] = {}

    def mark(self, address: int) -> Mark:
        """What is shown for an address."""
        return self._marks.get(address, Mark.UNASKED)

    def show(self, marks: Iterable[tuple[int, Mark]], *, clear: bool = False) -> None:
        """Set marks; with `clear`, all others are forgotten first."""
        if clear:
            self._marks.clear()
        self._marks.update(marks)
        self.refresh()

    def action_move(self, by: int) -> None:
        """Move the cursor, staying on the map."""
        target = self.cursor + by
        if FIRST <= target <= LAST:
            self.cursor = target

    def action_go(self, address: int) -> None:
        """Put the cursor on an address."""
        self.cursor = address

    def action_choose(self) -> None:
        """Ask for what is behind the cursor."""
        self.post_message(self.Chosen(self.cursor))

    def watch_cursor(self) -> None:
        """Say where the cursor is."""
        self.post_message(self.Moved(self.cursor))

    def get_content_width(self, container: Size, viewport: Size) -> int:
        """As wide as the cells need at the widest that fits three quarters of the container."""
        del viewport
        return _LABEL + COLUMNS * self._cell(container.width * 3 // 4)

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """A head line and ten rows."""
        del container, viewport, width
        return _ROWS + 1

    def render_line(self, y: int) -> Strip:
        """One line of the map."""
        cell = self._cell(self.size.width)
        label = self.get_component_rich_style("map--label")
        if y == 0:
            head = "".join(f"{n:<{cell}}" if n % 5 == 0 else " " * cell for n in range(COLUMNS))
            return Strip([Segment(" " * _LABEL + head, label)])
        row = y - 1
        if row >= _ROWS:
            return Strip.blank(self.size.width)
        segments = [Segment(f"{row * COLUMNS:>3} ", label)]
        for address in range(row * COLUMNS, (row + 1) * COLUMNS):
            segments.append(Segment(*self._drawn(address, cell)))
        return Strip(segments)

    def on_click(self, event: object) -> None:
        """Put the cursor where the mouse is."""
        x, y = getattr(event, "x", 0), getattr(event, "y", 0)
        column = (x - _LABEL) // self._cell(self.size.width)
        address = (y - 1) * COLUMNS + column
        if 0 <= column < COLUMNS and FIRST <= address <= LAST:
            self.cursor = address

    def _drawn(self, address: int, cell: int) -> tuple[str, Style]:
        if not FIRST <= address <= LAST:
            return " " * cell, self.rich_style
        mark = self.mark(address)
        style = self.get_component_rich_style(mark.component)
        if address == self.cursor and self.has_focus:
            return f"[{mark.sign}]"[:cell] if cell > 2 else f"{mark.sign}<", style + Style(
                reverse=True, bold=True
            )
        return f"{mark.sign:<{cell}}", style

    def _cell(self, width: int) -> int:
        return min(max((width - _LABEL) // COLUMNS, _NARROWEST), _WIDEST)

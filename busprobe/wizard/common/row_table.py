"""A list whose rows stand for something: it keeps its cursor when it is filled anew, its columns
fit the room there is, and `/` shows only the rows with what is typed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar, Generic, TypeVar

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size, Spacing
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from busprobe.wizard.common.columns import Column, Fitted, fitted
from busprobe.wizard.common.verbs import Verb

K = TypeVar("K")

_GUTTER = 1
"""Characters at the left in which the row of the cursor is marked."""

_CURSOR = "▸"

_FILTER = Verb.FILTER


class RowTable(ScrollView, Generic[K], can_focus=True):
    """Rows with a key each; cells are plain text, so that nothing in them is taken for markup."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {"list--head", "list--cursor", "list--filter"}
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "cursor_up", show=False),
        Binding("down", "cursor_down", show=False),
        Binding("pageup", "page(-1)", show=False),
        Binding("pagedown", "page(1)", show=False),
        Binding("home,ctrl+home", "first", show=False),
        Binding("end,ctrl+end", "last", show=False),
        Binding(_FILTER.key, "filter", _FILTER.label, key_display=_FILTER.written, show=False),
    ]

    @dataclass
    class Highlighted(Message):
        """The cursor is on another row."""

        table: RowTable[Any]

        @property
        def control(self) -> RowTable[Any]:
            """The list, for selectors."""
            return self.table

    @dataclass
    class Selected(Message):
        """Enter, or a click on the row of the cursor."""

        table: RowTable[Any]

        @property
        def control(self) -> RowTable[Any]:
            """The list, for selectors."""
            return self.table

    def __init__(
        self,
        columns: Sequence[Column],
        *,
        id: str | None = None,  # noqa: A002
        classes: str | None = None,
    ) -> None:
        super().__init__(id=id, classes=classes)
        self._columns = tuple(columns)
        self._rows: list[tuple[K, tuple[Text, ...]]] = []
        self._shown: list[tuple[K, tuple[Text, ...]]] = []
        self._cursor = 0
        self._told: K | None = None
        self._filter = ""
        self._typing = False
        self._widths: tuple[list[int], list[int]] = ([], [])
        self._fitted: tuple[int, Fitted] | None = None
        self._measure()

    # -- rows

    @property
    def row_count(self) -> int:
        """How many rows are shown."""
        return len(self._shown)

    @property
    def cursor_row(self) -> int:
        """The row of the cursor, from 0."""
        return self._cursor

    @property
    def chosen(self) -> K | None:
        """The key of the row under the cursor; None in an empty list."""
        return self._shown[self._cursor][0] if self._shown else None

    def row(self, number: int) -> tuple[str, ...]:
        """The cells of a row that is shown, from 0, uncut."""
        return tuple(cell.plain for cell in self._shown[number][1])

    def choose(self, key: K) -> None:
        """Put the cursor on the row of `key`, if it is shown."""
        for number, (known, _) in enumerate(self._shown):
            if known == key:
                self.move_cursor(number)

    def fill(self, rows: Iterable[tuple[K, Iterable[Text | str]]]) -> None:
        """Replace all rows by (key, cells)."""
        self._rows = [(key, tuple(_one_line(cell) for cell in cells)) for key, cells in rows]
        self._measure()
        self._show_rows()

    def move_cursor(self, row: int) -> None:
        """Put the cursor on a row, from 0, or on the last one there is."""
        self._cursor = max(0, min(row, len(self._shown) - 1))
        self._show_cursor()
        self.refresh()
        self._tell()

    def _show_rows(self) -> None:
        """Show what passes the filter, with the cursor on the row where it was."""
        kept = self.chosen
        words = self._filter.lower().split()
        self._shown = [
            (key, cells)
            for key, cells in self._rows
            if not words
            or all(word in " ".join(cell.plain for cell in cells).lower() for word in words)
        ]
        places = [number for number, (key, _) in enumerate(self._shown) if key == kept]
        self._cursor = places[0] if places else min(self._cursor, max(0, len(self._shown) - 1))
        self.virtual_size = Size(0, self._head + len(self._shown))
        self.refresh()
        self._show_cursor()
        self._tell()

    def _tell(self) -> None:
        if self.chosen != self._told:
            self._told = self.chosen
            self.post_message(self.Highlighted(self))

    # -- keys and mouse

    def action_cursor_up(self) -> None:
        """One row up."""
        self.move_cursor(self._cursor - 1)

    def action_cursor_down(self) -> None:
        """One row down."""
        self.move_cursor(self._cursor + 1)

    def action_page(self, by: int) -> None:
        """As many rows as are in sight."""
        self.move_cursor(self._cursor + by * max(1, self.size.height - self._head))

    def action_first(self) -> None:
        """The first row."""
        self.move_cursor(0)

    def action_last(self) -> None:
        """The last row."""
        self.move_cursor(len(self._shown) - 1)

    def action_select(self) -> None:
        """Take the row under the cursor."""
        if self._shown:
            self.post_message(self.Selected(self))

    def on_click(self, event: events.Click) -> None:
        """Put the cursor where the mouse is; take the row where it is there already."""
        row = self.scroll_offset.y + event.y - self._head
        if event.y < self._head or not 0 <= row < len(self._shown):
            return
        if row == self._cursor:
            self.action_select()
        else:
            self.move_cursor(row)

    # -- the filter

    def action_filter(self) -> None:
        """Type what the rows are to have."""
        self._typing = True
        self._show_rows()

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Letters are no keys of a step while a filter is typed."""
        del key
        return self._typing and character is not None and character.isprintable()

    def on_key(self, event: events.Key) -> None:
        """Enter takes a row, for which a screen may have its own word in the line of keys; what is
        typed into the filter is kept by Enter, and Escape shows all rows again."""
        if event.key == "escape" and (self._typing or self._filter):
            self._filter, self._typing = "", False
        elif self._typing and event.key == "enter":
            self._typing = False
        elif self._typing and event.key == "backspace":
            self._filter = self._filter[:-1]
        elif self._typing and event.is_printable:
            self._filter += event.character or ""
        elif event.key == "enter":
            event.stop()
            self.action_select()
            return
        else:
            return
        event.stop()
        self._show_rows()

    def on_blur(self) -> None:
        """What was typed stays in force."""
        if self._typing:
            self._typing = False
            self._show_rows()

    # -- drawing

    @property
    def _head(self) -> int:
        """Lines above the rows: the headings, and the filter where there is one."""
        return 2 if self._filter or self._typing else 1

    def _measure(self) -> None:
        """Note how wide the columns would be, in full and in brief."""

        def widest(number: int, column: Column, *, brief: bool) -> int:
            cells = (column.words(cells[number].plain, brief=brief) for _, cells in self._rows)
            return max(map(cell_len, {column.heading(brief=brief), *cells}))

        each = list(enumerate(self._columns))
        full = [widest(number, column, brief=False) for number, column in each]
        self._widths = full, [widest(number, column, brief=True) for number, column in each]
        self._fitted = None

    @property
    def _room(self) -> int:
        """Characters of a line, without the scroll bar."""
        return self.scrollable_content_region.width

    def _fit(self) -> Fitted:
        room = self._room - _GUTTER
        if self._fitted is None or self._fitted[0] != room:
            self._fitted = room, fitted(self._columns, *self._widths, room)
        return self._fitted[1]

    def _show_cursor(self) -> None:
        self.scroll_to_region(
            Region(0, self._head + self._cursor, 1, 1),
            spacing=Spacing(top=self._head),
            animate=False,
            force=True,
        )

    def on_resize(self) -> None:
        """The cursor stays in sight."""
        self._show_cursor()

    def render_line(self, y: int) -> Strip:
        """One line: the filter, the headings, or a row."""
        if y < self._head - 1:
            return self._drawn(self._filter_line(), "list--filter")
        if y == self._head - 1:
            heads = [Text(column.title) for column in self._columns]
            briefs = [Text(column.heading(brief=True)) for column in self._columns]
            return self._drawn(self._line(heads, briefs), "list--head")
        row = self.scroll_offset.y + y - self._head
        if row >= len(self._shown):
            return Strip.blank(self._room, self.rich_style)
        cells = self._shown[row][1]
        pairs = zip(self._columns, cells, strict=True)
        briefs = [
            cell[: len(column.words(cell.plain, brief=True))] if column.first_word else cell
            for column, cell in pairs
        ]
        here = row == self._cursor
        line = self._line(cells, briefs, _CURSOR if here else " ")
        return self._drawn(line, "list--cursor" if here else "")

    def _filter_line(self) -> Text:
        count = f"{len(self._shown)} of {len(self._rows)}"
        ends = "Enter keeps, Esc shows all" if self._typing else "Esc shows all"
        return Text(f" / {self._filter}{'_' if self._typing else ''}   {count}   {ends}")

    def _line(self, full: Sequence[Text], brief: Sequence[Text], mark: str = " ") -> Text:
        fits = self._fit()
        cells = []
        for fit in fits.columns:
            cell = (brief if fit.brief else full)[fit.index].copy()
            cell.truncate(fit.width, overflow="ellipsis")
            padding = fit.width - cell.cell_len
            (cell.pad_left if self._columns[fit.index].right else cell.pad_right)(padding)
            cells.append(cell)
        return Text(mark.ljust(_GUTTER)).append_text(Text(" " * fits.gap).join(cells))

    def _drawn(self, line: Text, component: str) -> Strip:
        width, style = self._room, self.rich_style
        line.truncate(width, overflow="ellipsis", pad=True)
        if component == "list--cursor" and self.has_focus:
            line = Text(line.plain)  # its own colours would not be read on that of the cursor
        elif component == "list--cursor":
            style, component = style + Style(bold=True), ""
        if component:
            style += self.get_component_rich_style(component)
        return Strip(line.render(self.app.console, "")).apply_style(style)


def _one_line(cell: Text | str) -> Text:
    text = cell if isinstance(cell, Text) else Text(cell)
    return Text(" ").join(text.split("\n")) if "\n" in text.plain else text

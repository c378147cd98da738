"""What is missing for complete papers, as a list to work through: Enter asks for what is under the
cursor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.screen import Screen
from textual.widgets import Static

from busprobe.handover.missing import Missing
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.row_table import RowTable

_COLUMNS = (Column("What is missing", least=20), Column("Who can supply it", least=10))


class MissingScreen(Screen[Missing | None]):
    """Gives back the gap that is to be filled now; None when none is to be filled."""

    HELP: ClassVar[str] = (
        "What the documents still lack, and who can supply it.  Enter asks for what is under the "
        "cursor."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "fill", "Fill it in", key_display="Enter"),
        Binding("escape", "close", "Close", key_display="Esc"),
    ]

    def __init__(self, gaps: Sequence[Missing], at: int = 0) -> None:
        """Shows `gaps` with the cursor on number `at`, from 0."""
        super().__init__()
        self._gaps = tuple(gaps)
        self._at = min(at, max(len(gaps) - 1, 0))

    def compose(self) -> ComposeResult:
        """Head, gaps, the whole sentence, keys."""
        head = (
            f"{len(self._gaps)} gaps in the documents"
            if self._gaps
            else "Nothing is missing that can be known here."
        )
        yield Static(Text(head), classes="screen-head")
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="gaps")
            with Beside(classes="beside"):
                yield Static(id="gap-words")
        yield KeyBar()

    def on_mount(self) -> None:
        """Fill the list."""
        self._table.fill((gap, (gap.what, gap.who)) for gap in self._gaps)
        self._table.move_cursor(self._at)
        self._table.focus()

    @on(RowTable.Highlighted)
    def _moved(self) -> None:
        gap = self._table.chosen
        if gap is not None:
            words = (
                Text(f"{gap.what}\n").append(f"{gap.how} ", style="bold").append(f"Ask {gap.who}.")
            )
            self.query_one("#gap-words", Static).update(words)

    @on(RowTable.Selected)
    def action_fill(self) -> None:
        """Ask for what is under the cursor."""
        self.dismiss(self._table.chosen)

    def action_close(self) -> None:
        """Back to the step."""
        self.dismiss(None)

    @property
    def _table(self) -> RowTable[Missing]:
        return self.query_one("#gaps", RowTable)

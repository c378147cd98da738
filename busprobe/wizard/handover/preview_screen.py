"""Every paper before it is written: the files at the left, what is in the one under the cursor at
the right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, ScrollableContainer
from textual.screen import Screen
from textual.widgets import Static

from busprobe.handover.preview import Paper
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.row_table import RowTable

_MOST_LINES = 2000
"""Lines of a paper that are shown: a screen is no place for more, and a large text would be slow.
"""


class PreviewScreen(Screen[None]):
    """Tab goes to the text, where arrows scroll it both ways."""

    HELP: ClassVar[str] = (
        "Every document as it would be written.  Tab goes to the text, where arrows scroll both "
        "ways."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "app.focus_next", "Into the text and back", key_display="Tab"),
        Binding("escape", "close", "Close", key_display="Esc"),
    ]

    def __init__(self, papers: Sequence[Paper]) -> None:
        super().__init__()
        self._papers = tuple(papers)

    def compose(self) -> ComposeResult:
        """Head, files and text side by side, keys."""
        yield Static(Text(f"{len(self._papers)} files would be written"), classes="screen-head")
        with Horizontal():
            yield RowTable((Column("File", least=10),), id="papers")
            with ScrollableContainer(id="paper"):
                yield Static(id="paper-text")
        yield KeyBar()

    def on_mount(self) -> None:
        """Begin with the first file."""
        self._table.fill((paper, (paper.name,)) for paper in self._papers)
        self._table.focus()

    @on(RowTable.Highlighted)
    def _moved(self) -> None:
        paper = self._table.chosen
        if paper is not None:
            lines = [
                *paper.lines[:_MOST_LINES],
                *(["… and more"] if len(paper.lines) > _MOST_LINES else []),
            ]
            self.query_one("#paper-text", Static).update(Text("\n".join(lines), no_wrap=True))
            self.query_one("#paper").scroll_home(animate=False)

    def action_close(self) -> None:
        """Back to the step."""
        self.dismiss(None)

    @property
    def _table(self) -> RowTable[Paper]:
        return self.query_one("#papers", RowTable)

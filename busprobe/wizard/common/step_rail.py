"""The rail at the top: all steps, how far each has come, and which one is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.message import Message
from textual.reactive import reactive
from textual.widgets import Static

from busprobe.wizard.common.step import StepState

_STATE_WIDTH = 8
"""Room for the longest state, ``▸ 100 %``, and one space."""


class StepTab(Static):
    """One step on the rail, two lines: number and name; sign and word."""

    state: reactive[StepState] = reactive(StepState.TO_DO)
    progress: reactive[str] = reactive("")
    current: reactive[bool] = reactive(False, toggle_class="current")

    def __init__(self, number: int, title: str) -> None:
        super().__init__()
        self._number = number
        self._title = f"{number} {title}"
        self.styles.width = f"{max(len(self._title), _STATE_WIDTH) + 2}fr"

    def render(self) -> Text:
        """Name over state; the state has a sign, a word and a colour."""
        said = f"{self.state.sign} {self.progress or self.state.word}"
        width = self.content_size.width
        title = (self._title.ljust(width), "bold" if self.current else "")
        return Text.assemble(title, "\n", said.ljust(width), no_wrap=True)

    def watch_state(self, old: StepState, new: StepState) -> None:
        """Colour follows the state."""
        self.remove_class(old.name.lower())
        self.add_class(new.name.lower())

    def on_click(self) -> None:
        """A click is the same as the digit."""
        self.post_message(StepRail.Chosen(self._number))


class StepRail(Horizontal):
    """All steps in their order."""

    @dataclass
    class Chosen(Message):
        """A step was clicked."""

        number: int

    def __init__(self, titles: Sequence[str]) -> None:
        super().__init__()
        self._tabs = [StepTab(number, title) for number, title in enumerate(titles, start=1)]

    def compose(self) -> ComposeResult:
        """One tab a step."""
        yield from self._tabs

    def show(self, number: int, state: StepState, progress: str, *, current: bool) -> None:
        """Bring one tab (from 1) up to date."""
        tab = self._tabs[number - 1]
        tab.state, tab.progress, tab.current = state, progress, current

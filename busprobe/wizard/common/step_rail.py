"""The rail at the top: all steps, how far each has come, and which one is looked at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text
from textual import events
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
    brief: reactive[bool] = reactive(False, toggle_class="brief")
    """Whether there is only room for the name, and below it the number with the sign."""

    def __init__(self, number: int, title: str) -> None:
        super().__init__()
        self._number = number
        self._title = title
        self.watch_brief()

    @property
    def full_width(self) -> int:
        """Characters that it takes with all its words."""
        return max(len(f"{self._number} {self._title}"), _STATE_WIDTH) + 2

    def watch_brief(self) -> None:
        """Share the room by the length of the words."""
        self.styles.width = f"{len(self._title) + 1 if self.brief else self.full_width}fr"

    def render(self) -> Text:
        """Name over state; the state has a sign, a word and a colour."""
        name = self._title if self.brief else f"{self._number} {self._title}"
        state = f"{self.state.sign} {self.progress or self.state.word}"
        width = self.content_size.width
        if self.brief:
            sign = f"{self._number} {self.state.sign}"
            state = f"{sign} {self.progress}".rstrip()
            state = state if len(state) < width else sign
        title = (name.ljust(width), "bold" if self.current else "")
        return Text.assemble(title, "\n", state.ljust(width), no_wrap=True)

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

    def on_resize(self, event: events.Resize) -> None:
        """Say less where there is no room for all words."""
        needed = sum(tab.full_width for tab in self._tabs)
        for tab in self._tabs:
            tab.brief = event.size.width < needed

    def show(self, number: int, state: StepState, progress: str, *, current: bool) -> None:
        """Bring one tab (from 1) up to date."""
        tab = self._tabs[number - 1]
        tab.state, tab.progress, tab.current = state, progress, current

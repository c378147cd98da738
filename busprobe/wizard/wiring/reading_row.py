"""One line of the meter form: what to measure, the reading, and how it is judged as it is typed."""

from __future__ import annotations

from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widgets import Input, Static


class ReadingRow(Horizontal):
    """A label, a field and a verdict."""

    def __init__(self, field: str, label: str, hint: str) -> None:
        """Shows the field of that name, with `hint` in it as long as it is empty."""
        super().__init__(classes="reading")
        self.field = field
        self._label = label
        self._hint = hint

    def compose(self) -> ComposeResult:
        """Label, field, verdict."""
        yield Static(Text(self._label), classes="reading-label")
        yield Input(
            placeholder=self._hint,
            id=f"reading-{self.field}",
            compact=True,
            classes="reading-input",
        )
        yield Static(classes="reading-verdict")

    @property
    def value(self) -> str:
        """What was typed."""
        return self.query_one(Input).value.strip()

    @value.setter
    def value(self, text: str) -> None:
        self.query_one(Input).value = text

    def say(self, verdict: Text) -> None:
        """Show how the reading is judged; cut where it does not fit."""
        verdict.no_wrap = True
        verdict.overflow = "ellipsis"
        self.query_one(".reading-verdict", Static).update(verdict)

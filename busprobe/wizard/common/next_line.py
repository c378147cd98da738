"""The line of what to do next: what Enter does, and what else there is to say."""

from __future__ import annotations

from rich.text import Text
from textual.message import Message
from textual.widgets import Static


class NextLine(Static):
    """The proposal of the step and the words beside it; a click does what is proposed."""

    class Chosen(Message):
        """It was clicked."""

    def show(self, label: str, words: str, *, in_step: bool) -> None:
        """Say what Enter does, if anything is proposed; where a list or a field has the focus
        (`in_step` is false), Esc gives Enter back to the step."""
        text = Text("→ ")
        if label:
            text.append("Enter" if in_step else "Esc, Enter", style="reverse")
            text.append(f" {label}{'. ' if words else ''}")
        self.update(text.append(words, style="not bold" if label else ""))

    def on_click(self) -> None:
        """The same as Enter."""
        self.post_message(self.Chosen())

"""A large display for work at the terminals: read from two metres, with a bell at each change."""

from __future__ import annotations

from collections import deque
from datetime import datetime
from typing import ClassVar, Literal

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.reactive import reactive
from textual.screen import Screen
from textual.widgets import Static

from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.form import Field, Form, only, optional
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.large_word import LargeWord
from busprobe.wizard.common.question import if_given
from busprobe.wizard.common.verbs import Verb

Alert = Literal["calm", "here", "gone"]
"""Colour of the whole display; the style sheet has a class for each."""

_LOG = 200


class LargeDisplay(Screen[None]):
    """Two large words, what to do, and a log of when that changed."""

    HELP: ClassVar[str] = (
        "To be read from two metres.  The screen changes and the bell rings when something "
        "changes; below is what happened, newest first."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "note", "Note what you touched"),
        Binding("escape", "leave", "End", key_display="Esc"),
        Action(Verb.STOP, "leave", "end it", shown=False).binding,
    ]

    alert: reactive[Alert] = reactive("calm", init=False)
    """Decides the colour of the whole screen; the large word says the same."""

    def __init__(self) -> None:
        super().__init__()
        self._lines: deque[str] = deque(maxlen=_LOG)
        self._is_over = False
        self._dismissed = False

    def compose(self) -> ComposeResult:
        """What is watched, two large words, what to do, log, keys."""
        yield Static(id="large-head")
        yield LargeWord(id="large-word")
        yield LargeWord(id="large-who")
        yield Static(id="large-todo")
        yield Static(id="large-log")
        yield KeyBar()

    def on_mount(self) -> None:
        """Begin calm."""
        self.add_class(self.alert)

    @property
    def log_lines(self) -> tuple[str, ...]:
        """What happened, newest first."""
        return tuple(self._lines)

    def head(self, words: str) -> None:
        """Say what is watched."""
        self.query_one("#large-head", Static).update(Text(words))

    def large(self, word: str, who: str, alert: Alert) -> None:
        """Show two large words and colour the screen."""
        self.query_one("#large-word", LargeWord).say(word)
        self.query_one("#large-who", LargeWord).say(who)
        self.alert = alert

    def todo(self, words: str) -> None:
        """Say what to do."""
        self.query_one("#large-todo", Static).update(Text(words))

    def happened(self, words: str, *, ring: bool = True) -> None:
        """Log `words` with the time of day, and ring."""
        self._lines.appendleft(f"{datetime.now().astimezone():%H:%M:%S}  {words}")
        self.query_one("#large-log", Static).update(Text("\n".join(self._lines)))
        if ring:
            self.app.bell()

    def watch_alert(self, old: Alert, new: Alert) -> None:
        """The colour of the whole screen follows."""
        self.remove_class(old)
        self.add_class(new)

    def action_note(self) -> None:
        """Write down which terminal was touched, beside the time."""

        def keep(touched: str) -> None:
            self.happened(f"touched: {touched}", ring=False)

        field = Field("touched", "Terminal or wire", read=optional(str))
        form = Form("What did you touch?", (field,), make=only)
        self.app.push_screen(form, if_given(keep))

    def end(self) -> None:
        """Close, at once or as soon as nothing is in front of this screen."""
        self._is_over = True
        self._close_if_in_front()

    def on_screen_resume(self) -> None:
        """What was in front is gone."""
        self.call_later(self._close_if_in_front)

    def _close_if_in_front(self) -> None:
        if self._is_over and self.app.screen is self and not self._dismissed:
            self._dismissed = True
            self.dismiss(None)

    def action_leave(self) -> None:
        """End what this screen shows; subclasses say how."""
        self.end()

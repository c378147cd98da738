"""A field whose value is chosen, not typed: arrows turn it over, Space lists all there is, each
with its meaning."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget

from busprobe.errors import UsageError
from busprobe.wizard.common.choice import ChoiceDialog, Offered
from busprobe.wizard.common.question import if_given

_FEW = 8
"""Choices that are gone through by their first letter; more are searched in their list."""


class ChoiceField(Widget, can_focus=True):
    """One line: what is chosen, and what it means."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "turn(-1)", show=False),
        Binding("right", "turn(1)", show=False),
        Binding("space", "list", "Choose", key_display="Space"),
    ]

    value: reactive[str] = reactive("", init=False)
    """The text that is chosen."""

    @dataclass
    class Changed(Message):
        """Something else was chosen."""

        field: ChoiceField

        @property
        def control(self) -> ChoiceField:
            """The field, for selectors."""
            return self.field

    @dataclass
    class Submitted(Message):
        """Enter: on to the next field."""

        field: ChoiceField

    def __init__(
        self,
        title: str,
        value: str,
        offered: Sequence[Offered[str]],
        other: Callable[[str], str] | None = None,
        *,
        hint: str = "",
        id: str | None = None,  # noqa: A002 - Textual's own name
    ) -> None:
        """`other` says what a text means that is not among those `offered`, or raises `UsageError`;
        without it only those can be chosen; `hint` is said
        while nothing is chosen."""
        super().__init__(id=id)
        self._title = title
        self._offered = tuple(offered)
        self._other = other
        self._hint = hint
        self.set_reactive(ChoiceField.value, value)

    def watch_value(self) -> None:
        """Tell."""
        self.post_message(self.Changed(self))

    def render(self) -> Text:
        """What is chosen and what it means."""
        chosen = self._find(self.value)
        name = chosen.name if chosen else self.value
        text = Text(f"< {name} >" if self.has_focus else f"  {name}  ", no_wrap=True)
        text.stylize("bold")
        meaning = chosen.meaning if chosen else ""
        if not self.value and self._hint:
            meaning = f"{meaning}; {self._hint}" if meaning else self._hint
        text.append(f"  {meaning}" if meaning else "", style="not bold")
        text.truncate(self.size.width, overflow="ellipsis")
        return text

    def _find(self, value: str) -> Offered[str] | None:
        return next((each for each in self._offered if each.value == value), self._read(value))

    def _read(self, text: str) -> Offered[str] | None:
        """What was typed, where it is one that can be chosen, too."""
        if self._other is None or not text:
            return None
        try:
            return Offered(text, text, self._other(text))
        except UsageError:
            return None

    def action_turn(self, by: int) -> None:
        """The next one, or the one before."""
        values = [each.value for each in self._offered]
        place = values.index(self.value) if self.value in values else -min(by, 0)
        self.value = values[(place + by) % len(values)]

    def action_list(self, begin: str = "") -> None:
        """Choose in a list; `begin` is what is searched at first."""
        many = len(self._offered) > _FEW or self._other is not None
        dialog = ChoiceDialog(
            self._title,
            self._offered,
            chosen=self.value,
            searched=many,
            begin=begin,
            other=self._read,
        )

        def choose(value: str) -> None:
            self.value = value

        self.app.push_screen(dialog, if_given(choose))

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Letters choose."""
        del key
        return character is not None and character.isprintable()

    def on_key(self, event: events.Key) -> None:
        """Enter goes on; a letter chooses the next one that begins so, or is searched."""
        if event.key == "enter":
            event.stop()
            self.post_message(self.Submitted(self))
        elif event.is_printable and event.key != "space":
            event.stop()
            self._letter(event.character or "")

    def _letter(self, letter: str) -> None:
        if len(self._offered) > _FEW or self._other is not None:
            self.action_list(letter)
            return
        values = [each.value for each in self._offered]
        place = values.index(self.value) if self.value in values else -1
        for each in (*self._offered[place + 1 :], *self._offered[: place + 1]):
            if each.name.lower().startswith(letter.lower()):
                self.value = each.value
                return

    def on_click(self) -> None:
        """Choose in a list."""
        self.action_list()

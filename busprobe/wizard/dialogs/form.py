"""A few text fields over the screen, given back together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static


@dataclass(frozen=True)
class Field:
    """One text field."""

    name: str
    label: str
    value: str = ""
    kind: Literal["text", "integer"] = "text"
    hint: str = ""


class Form(ModalScreen[Mapping[str, str] | None]):
    """Asks for `fields`; Enter goes on to the next one and, at the last, gives them back; Escape gives None."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "cancel", "Cancel"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]

    def __init__(self, title: str, fields: Sequence[Field], *, words: str = "") -> None:
        super().__init__()
        self._title = title
        self._fields = tuple(fields)
        self._words = words

    def compose(self) -> ComposeResult:
        """Title, fields, two buttons."""
        with Vertical(classes="box"):
            yield Static(Text(self._title), classes="title")
            if self._words:
                yield Static(Text(self._words), classes="words")
            for field in self._fields:
                yield Static(Text(field.label), classes="label")
                yield Input(
                    field.value, placeholder=field.hint, type=field.kind, id=f"field-{field.name}", compact=True
                )
            with Horizontal(classes="answers"):
                yield Button(Content("Keep"), id="keep", compact=True)
                yield Button(Content("Esc  Cancel"), id="cancel", compact=True)

    @on(Input.Submitted)
    def _submitted(self, event: Input.Submitted) -> None:
        inputs = list(self.query(Input))
        place = inputs.index(event.input)
        if place + 1 < len(inputs):
            inputs[place + 1].focus()
        else:
            self._keep()

    @on(Button.Pressed, "#keep")
    def _keep(self) -> None:
        names = [field.name for field in self._fields]
        self.dismiss({name: self.query_one(f"#field-{name}", Input).value.strip() for name in names})

    @on(Button.Pressed, "#cancel")
    def action_cancel(self) -> None:
        """Give nothing back."""
        self.dismiss(None)

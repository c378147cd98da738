"""A few text fields over the screen, given back together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar, Generic, Literal, TypeVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Button, Input, Static

from busprobe.errors import UsageError

_FEW = 4
"""Fields that have a line for their label and one for themselves."""


@dataclass(frozen=True)
class Field:
    """One text field."""

    name: str
    label: str
    value: str = ""
    kind: Literal["text", "integer"] = "text"
    hint: str = ""


Given = Mapping[str, str]
"""The texts of the fields by their names."""

T = TypeVar("T")


class Form(ModalScreen[T | None], Generic[T]):
    """Asks for `fields`; Enter goes on to the next one and, at the last, gives back what they mean;
    Escape gives None.

    More than a few fields stand beside their labels, so that all fit on 24 lines.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "cancel", "Cancel"),
        Binding("ctrl+s", "keep", "Keep", priority=True),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]

    def __init__(
        self,
        title: str,
        fields: Sequence[Field],
        *,
        read: Callable[[Given], T],
        words: str = "",
        start: str = "",
        keep: str = "Keep",
    ) -> None:
        """`read` makes of the texts what they mean, or raises `UsageError`, which is shown while
        the form stays open; `start` names the first field.

        `keep` is the word on the button that gives the fields back.
        """
        super().__init__()
        self._read = read
        self._start = start
        self._keep = keep
        self._title = title
        self._fields = tuple(fields)
        self._words = words

    def compose(self) -> ComposeResult:
        """Title, fields, two buttons."""
        with Vertical(classes="box many" if len(self._fields) > _FEW else "box"):
            yield Static(Text(self._title), classes="title")
            if self._words:
                yield Static(Text(self._words), classes="words")
            for field in self._fields:
                with Container(classes="field"):
                    yield Static(Text(field.label), classes="label")
                    yield Input(
                        field.value,
                        placeholder=field.hint,
                        type=field.kind,
                        id=f"field-{field.name}",
                        compact=True,
                    )
            yield Static(id="form-problem", classes="attention")
            with Horizontal(classes="answers"):
                yield Button(Content(f"^S  {self._keep}"), id="keep", compact=True)
                yield Button(Content("Esc  Cancel"), id="cancel", compact=True)

    def on_mount(self) -> None:
        """Begin at the field that was asked for."""
        self.query_one("#form-problem").display = False
        if self._start:
            self.query_one(f"#field-{self._start}", Input).focus()

    @on(Input.Submitted)
    def _submitted(self, event: Input.Submitted) -> None:
        inputs = list(self.query(Input))
        place = inputs.index(event.input)
        if place + 1 < len(inputs):
            inputs[place + 1].focus()
        else:
            self.action_keep()

    @on(Button.Pressed, "#keep")
    def action_keep(self) -> None:
        """Give back what the fields mean, unless something is wrong with them."""
        names = [field.name for field in self._fields]
        given = {name: self.query_one(f"#field-{name}", Input).value.strip() for name in names}
        try:
            read = self._read(given)
        except UsageError as error:
            shown = self.query_one("#form-problem", Static)
            shown.update(Text(f"! {error}"))
            shown.display = True
        else:
            self.dismiss(read)

    @on(Button.Pressed, "#cancel")
    def action_cancel(self) -> None:
        """Give nothing back."""
        self.dismiss(None)

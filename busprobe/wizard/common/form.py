"""A few text fields over the screen, given back together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, ClassVar, Generic, Literal, Protocol, Self, TypeVar, cast

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Button, Input, Static

from busprobe.errors import UsageError
from busprobe.wizard.common.choice import Offered
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.common.dialog import Dialog

_FEW = 4
"""Fields that have a line for their label and one for themselves."""


T = TypeVar("T")


@dataclass(frozen=True)
class Field:
    """One text field: what stands beside and in it, and what its text means."""

    name: str
    """The argument that its value is for whoever is given the form's values."""
    label: str
    value: str = ""
    """The text that it begins with."""
    kind: Literal["text", "integer"] = "text"
    hint: str = ""
    read: Callable[[str], Any] = str
    """What is typed as the value it means; raises `UsageError`."""
    write: Callable[[Any], str] = str
    """A value as it is typed."""
    choices: tuple[Offered[str], ...] = ()
    """What can be chosen; with choices nothing is typed."""
    other: Callable[[str], str] | None = None
    """What another text means that may be searched for beside the choices; raises `UsageError`."""

    def showing(self, value: object) -> Self:
        """The same field with what is known already."""
        return replace(self, value=self.write(value))


def values(fields: Iterable[Field], texts: Mapping[str, str]) -> dict[str, Any]:
    """What `texts` of `fields` mean, by name; raises `UsageError`."""
    return {field.name: field.read(texts[field.name]) for field in fields}


def only(**value: T) -> T:
    """The value of a form with one field."""
    (given,) = value.values()
    return given


def optional(read: Callable[[str], T]) -> Callable[[str], T | None]:
    """Reads the same; an empty text is None."""
    return lambda text: read(text) if text else None


def whole_number(text: str) -> int:
    """A number from 0; raises `UsageError`."""
    if not text.isdecimal():
        raise UsageError(f"'{text}' is not a whole number.", todo="Write 0, 1, 2 and so on.")
    return int(text)


FormKey = tuple[str, ...]
"""A form: its title and its fields."""

Texts = Mapping[str, str]
"""What stands in fields, by name."""


class _RemembersForms(Protocol):
    """What a form needs of the app around it."""

    typed_in_forms: dict[FormKey, Texts]
    """What was typed in forms that were left with Escape."""


def _asked(field: Field) -> Input | ChoiceField:
    """What a field is filled in by."""
    name = f"field-{field.name}"
    if field.choices:
        return ChoiceField(
            field.label, field.value, field.choices, field.other, hint=field.hint, id=name
        )
    return Input(field.value, placeholder=field.hint, type=field.kind, id=name, compact=True)


class Form(Dialog[T | None], Generic[T]):
    """Asks for `fields`; Enter goes on to the next one and, at the last, gives back what they mean;
    Escape gives None.  What was typed until then is brought back by Ctrl+Z when the form is opened
    again.

    More than a few fields stand beside their labels, so that all fit on 24 lines.
    """

    HELP: ClassVar[str] = (
        "Enter goes to the next field and keeps the form at the last; arrows up and down move"
        " between fields.  Left and right change what is chosen, Space lists all there is."
        "  Esc closes it; what was typed comes back with Ctrl+Z when it is opened again."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "cancel", "Cancel"),
        Binding("ctrl+s", "keep", "Keep", priority=True),
        Binding("ctrl+z", "restore", "Bring back"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]

    def __init__(
        self,
        title: str,
        fields: Sequence[Field],
        *,
        make: Callable[..., T],
        words: str = "",
        start: str = "",
        keep: str = "Keep",
    ) -> None:
        """`make` is given the values of the fields by their names, and its result is given back;
        `start` names the first field.

        A `UsageError` of a field or of `make` is shown while the form stays open.  `keep` is the
        word on the button that gives the fields back.
        """
        super().__init__()
        self._make = make
        self._start = start
        self._keep = keep
        self._title = title
        self._fields = tuple(fields)
        self._words = words

    def compose(self) -> ComposeResult:
        """Title, fields, two buttons."""
        with Vertical(classes="box many" if len(self._fields) > _FEW else "box"):
            yield Static(Text(self._title), classes="title")
            with VerticalScroll(classes="body", can_focus=False):
                if self._words:
                    yield Static(Text(self._words), classes="words")
                for field in self._fields:
                    with Container(classes="field"):
                        yield Static(Text(field.label), classes="label")
                        yield _asked(field)
            yield Static("Ctrl+Z brings back what was typed before.", id="form-typed")
            yield Static(id="form-problem", classes="attention")
            with Horizontal(classes="answers"):
                yield Button(Content(f"^S  {self._keep}"), id="keep", compact=True)
                yield Button(Content("Esc  Cancel"), id="cancel", compact=True)

    def on_mount(self) -> None:
        """Begin at the field that was asked for."""
        self.query_one("#form-problem").display = False
        self._show_typed()
        if self._start:
            self._asked_for(self._start).focus()

    @property
    def changed(self) -> bool:
        """Whether anything was typed."""
        return self._texts != {field.name: field.value for field in self._fields}

    @property
    def _texts(self) -> dict[str, str]:
        return {field.name: self._asked_for(field.name).value for field in self._fields}

    def _asked_for(self, name: str) -> Input | ChoiceField:
        """The field of that name."""
        return cast("Input | ChoiceField", self.query_one(f"#field-{name}"))

    @property
    def _key(self) -> FormKey:
        return (self._title, *(field.name for field in self._fields))

    @property
    def _typed_before(self) -> dict[FormKey, Texts]:
        return cast("_RemembersForms", self.app).typed_in_forms

    def _show_typed(self) -> None:
        self.query_one("#form-typed").display = self._key in self._typed_before
        self.leave_room()
        self.refresh_bindings()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what was typed can be brought back."""
        del parameters
        return action != "restore" or self._key in self._typed_before

    def action_restore(self) -> None:
        """Bring back what was typed before the form was left."""
        for name, text in self._typed_before.pop(self._key).items():
            self._asked_for(name).value = text
        self._show_typed()

    @on(Input.Submitted)
    @on(ChoiceField.Submitted)
    def _submitted(self) -> None:
        asked = [self._asked_for(field.name) for field in self._fields]
        here = next((n for n, each in enumerate(asked) if each.has_focus), len(asked) - 1)
        if here + 1 < len(asked):
            asked[here + 1].focus()
        else:
            self.action_keep()

    @on(Button.Pressed, "#keep")
    def action_keep(self) -> None:
        """Give back what the fields mean, unless something is wrong with them."""
        texts = {name: text.strip() for name, text in self._texts.items()}
        try:
            made = self._make(**values(self._fields, texts))
        except UsageError as error:
            shown = self.query_one("#form-problem", Static)
            shown.update(Text(f"! {error}"))
            shown.display = True
            self.leave_room()
        else:
            self._typed_before.pop(self._key, None)
            self.dismiss(made)

    @on(Button.Pressed, "#cancel")
    def action_cancel(self) -> None:
        """Give nothing back, and remember what was typed."""
        if self.changed:
            self._typed_before[self._key] = self._texts
        self.dismiss(None)

"""A list over the screen to choose one of: Enter takes what is under the cursor; a long list is
searched by typing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Generic, TypeVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

T = TypeVar("T")


@dataclass(frozen=True)
class Offered(Generic[T]):
    """One that can be chosen."""

    value: T
    name: str
    meaning: str = ""
    key: str = ""
    """The key that does the same without the list."""

    def fits(self, words: Sequence[str]) -> bool:
        """Whether all of `words`, in lower case, occur in it."""
        said = f"{self.name} {self.meaning}".lower()
        return all(word in said for word in words)


class ChoiceDialog(ModalScreen[T | None], Generic[T]):
    """Gives back the value that was chosen; None for Escape."""

    HELP: ClassVar[str] = (
        "Arrows move, Enter chooses, Esc closes without a choice.  Where there is a search, typing"
        " narrows the list down."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "cancel", "Close", key_display="Esc"),
        Binding("down", "move('cursor_down')", show=False),
        Binding("up", "move('cursor_up')", show=False),
        Binding("pagedown", "move('page_down')", show=False),
        Binding("pageup", "move('page_up')", show=False),
    ]

    def __init__(
        self,
        title: str,
        offered: Sequence[Offered[T]],
        *,
        words: str = "",
        chosen: T | None = None,
        searched: bool = False,
    ) -> None:
        """The cursor begins at `chosen`; with `searched` what is typed narrows the list down."""
        super().__init__()
        self._title = title
        self._offered = tuple(offered)
        self._shown = self._offered
        self._words = words
        self._chosen = chosen
        self._searched = searched

    def compose(self) -> ComposeResult:
        """Title, search, list, keys."""
        with Vertical(classes="box"):
            yield Static(Text(self._title), classes="title")
            if self._words:
                yield Static(Text(self._words), classes="words")
            if self._searched:
                yield Input(placeholder="type to search", id="choice-search", compact=True)
            yield OptionList(id="choice-list", markup=False)
            yield Static(Text("Enter chooses, Esc closes."), classes="label")

    def on_mount(self) -> None:
        """Begin at what is chosen now."""
        self._fill()
        values = [each.value for each in self._shown]
        if self._chosen in values:
            self._list.highlighted = values.index(self._chosen)

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        words = event.value.lower().split()
        self._shown = tuple(each for each in self._offered if each.fits(words))
        self._fill()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self._list.action_select()

    @on(OptionList.OptionSelected)
    def _selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(self._shown[event.option_index].value)

    def action_move(self, how: str) -> None:
        """Move in the list while the search has the focus."""
        getattr(self._list, f"action_{how}")()

    def action_cancel(self) -> None:
        """Choose nothing."""
        self.dismiss(None)

    @property
    def _list(self) -> OptionList:
        return self.query_one("#choice-list", OptionList)

    def _fill(self) -> None:
        keys = max((len(each.key) for each in self._offered), default=0)
        self._list.set_options([Option(_line(each, keys)) for each in self._shown])
        if self._shown:
            self._list.highlighted = 0


def _line(each: Offered[T], keys: int) -> Text:
    text = Text(f"{each.key:{keys}}  " if keys else "")
    text.append(each.name, style="bold")
    return text.append(f"  {each.meaning}" if each.meaning else "", style="not bold")

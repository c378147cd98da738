"""A list over the screen to choose one of: Enter takes what is under the cursor; a long list is
searched by typing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar, Generic, TypeVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from busprobe.wizard.common.dialog import Dialog

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


def _none(_: str) -> None:
    """Only what is in the list can be chosen."""


class ChoiceDialog(Dialog[T | None], Generic[T]):
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
        begin: str = "",
        other: Callable[[str], Offered[T] | None] = _none,
    ) -> None:
        """The cursor begins at `chosen`; with `searched` what is typed, at first `begin`, narrows
        the list down, and `other` may make one of it that is not in the list."""
        super().__init__()
        self._title = title
        self._offered = tuple(offered)
        self._shown = self._offered
        self._words = words
        self._chosen = chosen
        self._searched = searched
        self._begin = begin
        self._other = other

    def compose(self) -> ComposeResult:
        """Title, search, list, keys."""
        with Vertical(classes="box"):
            yield Static(Text(self._title), classes="title")
            if self._words:
                yield Static(Text(self._words), classes="words")
            if self._searched:
                yield Input(
                    self._begin,
                    placeholder="type to search",
                    id="choice-search",
                    compact=True,
                    select_on_focus=False,
                )
            yield OptionList(id="choice-list", markup=False, classes="body")
            yield Static(Text("Enter chooses, Esc closes."), classes="label")

    def on_mount(self) -> None:
        """Begin at what is chosen now."""
        self._search(self._begin)
        values = [each.value for each in self._shown]
        if self._chosen in values and not self._begin:
            self._list.highlighted = values.index(self._chosen)

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        self._search(event.value)

    def _search(self, text: str) -> None:
        words = text.lower().split()
        found = [each for each in self._offered if each.fits(words)]
        found.sort(key=lambda each: not each.name.lower().startswith(text.lower()))
        other = self._other(text.strip())
        if other is not None and other.value not in [each.value for each in found]:
            found.append(other)
        self._shown = tuple(found)
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

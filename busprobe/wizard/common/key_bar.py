"""The last line: the keys that work now, those that solve the problem at hand first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import ActiveBinding
from textual.reactive import reactive
from textual.screen import Screen
from textual.widget import Widget

_MORE = "…"
"""Stands for the keys for which there is no room; the list of actions has them all."""


@dataclass(frozen=True)
class _Key:
    key: str
    written: str
    word: str

    @property
    def width(self) -> int:
        return len(self.written) + 1 + len(self.word)


class KeyBar(Widget):
    """One line of keys and their words; a click does what the key does.

    The keys of the app stand at the end and are always in sight; where there is no room for all of
    a step or screen, its last ones are left out.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {"keys--key", "keys--first"}

    first: reactive[tuple[str, ...]] = reactive((), init=False)
    """The keys that solve the problem at hand, which stand first."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._drawn: list[tuple[int, _Key]] = []
        """Where each key begins that is in sight."""

    def on_mount(self) -> None:
        """Follow what works."""
        self.screen.bindings_updated_signal.subscribe(self, self._changed)

    def _changed(self, _: Screen[object]) -> None:
        self.refresh()

    def render(self) -> Text:
        """As many keys as fit."""
        active = [each for each in self.screen.active_bindings.values() if each.binding.show]
        last = [self._key(each) for each in active if each.node is self.app]
        own = [self._key(each) for each in active if each.node is not self.app]
        own.sort(key=lambda each: self._place(each.key))
        shown = fitting(own, last, self.size.width)
        text = Text(no_wrap=True)
        self._drawn = []
        for each in shown:
            if text:
                text.append(" ")
            if each is None:
                text.append(_MORE)
                continue
            self._drawn.append((len(text), each))
            look = "keys--first" if each.key in self.first else "keys--key"
            text.append(each.written, self.get_component_rich_style(look, partial=True))
            text.append(f" {each.word}")
        return text

    def _key(self, active: ActiveBinding) -> _Key:
        binding = active.binding
        return _Key(binding.key, self.app.get_key_display(binding), binding.description)

    def _place(self, key: str) -> int:
        return self.first.index(key) if key in self.first else len(self.first)

    def on_click(self, event: events.Click) -> None:
        """The same as the key."""
        for begin, each in self._drawn:
            if begin <= event.x < begin + each.width:
                self.app.simulate_key(each.key)


def fitting(own: Sequence[_Key], last: Sequence[_Key], width: int) -> list[_Key | None]:
    """What of `own` fits before `last`, in `width` characters; None stands for what is left
    out."""
    needed = sum(each.width + 1 for each in last)
    ends = [needed + end for end in accumulate(each.width + 1 for each in own)]
    if not ends or ends[-1] - 1 <= width:
        return [*own, *last]
    room = width - len(_MORE) - 1
    return [*own[: sum(end - 1 <= room for end in ends)], None, *last]

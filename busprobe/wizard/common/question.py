"""Boxes over the screen with a text and a few answers, each on its own key; a notice has one, to
close it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar, Generic, TypeVar

from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.widgets import Button, Static

from busprobe.errors import BusprobeError
from busprobe.wizard.common.dialog import Dialog

T = TypeVar("T")


def if_given(then: Callable[[T], object]) -> Callable[[T | None], None]:
    """What follows a screen that gives something back, unless it was cancelled."""

    def follow(given: T | None) -> None:
        if given is not None:
            then(given)

    return follow


def if_yes(then: Callable[[], object]) -> Callable[[bool | None], None]:
    """What follows a question that was answered with a yes."""

    def follow(sure: bool | None) -> None:
        if sure:
            then()

    return follow


@dataclass(frozen=True)
class Answer(Generic[T]):
    """One answer to a question."""

    key: str
    """The letter that gives it; empty: only Enter and Escape do."""
    label: str
    value: T


class Question(Dialog[T]):
    """Shows `body` and waits for one of `answers`.

    The first answer is the safe one: it has the focus, so that Enter gives it, and Escape gives it
    too.
    """

    HELP: ClassVar[str] = (
        "The letter before an answer gives it.  Enter gives the one that is marked, Esc the first,"
        " which is the safe one.  Arrows move between answers and scroll the text."
    )

    def __init__(
        self,
        title: str,
        body: Text | str,
        answers: Sequence[Answer[T]],
        *,
        grave: bool = False,
        stays: bool = False,
    ) -> None:
        """With `stays` the program is not left before it is answered."""
        super().__init__()
        self.stays = stays
        """Whether the program is not left before it is answered."""
        self._title = title
        self._body = body
        self._answers = tuple(answers)
        self._grave = grave

    def compose(self) -> ComposeResult:
        """Title, text, answers."""
        with Vertical(classes="box grave" if self._grave else "box"):
            yield Static(Text(self._title), classes="title")
            with VerticalScroll(classes="body", can_focus=False):
                yield Static(self._body if isinstance(self._body, Text) else Text(self._body))
            with Horizontal(classes="answers"):
                for answer in self._answers:
                    yield Button(
                        Content(f"{answer.key.upper() or 'Enter'}  {answer.label}"),
                        id=f"answer-{answer.key}",
                        compact=True,
                    )

    def on_mount(self) -> None:
        """Put the focus on the safe answer."""
        self.query(Button).first().focus()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Give the answer of the button."""
        event.stop()
        for answer in self._answers:
            if event.button.id == f"answer-{answer.key}":
                self.dismiss(answer.value)

    def on_key(self, event: events.Key) -> None:
        """Letters answer; arrows move; Escape is the safe answer."""
        match event.key:
            case "escape":
                event.stop()
                self.dismiss(self._answers[0].value)
            case "left":
                self.focus_previous(Button)
            case "right":
                self.focus_next(Button)
            case "up":
                self.query_one(".body").scroll_up()
            case "down":
                self.query_one(".body").scroll_down()
            case "pageup":
                self.query_one(".body").scroll_page_up()
            case "pagedown":
                self.query_one(".body").scroll_page_down()
            case key:
                for answer in self._answers:
                    if key.lower() == answer.key:
                        event.stop()
                        self.dismiss(answer.value)


_CLOSE = (Answer("", "Close", None),)


class Notice(Question[None]):
    """A text under a title; arrows scroll it, Enter or Escape closes it and no letter does."""

    def __init__(self, title: str, body: Text | str, *, grave: bool = False) -> None:
        super().__init__(title, body, _CLOSE, grave=grave)


class Help(Notice):
    """What a step or a screen is for, and its keys; F1 closes it, too."""


class Failure(Notice):
    """What happened, what it means and what to do next."""

    def __init__(self, error: BusprobeError) -> None:
        body = Text(error.what)
        if error.means:
            body.append(f"\n\n{error.means}")
        if error.todo:
            body.append("\n\nNext: ", style="bold").append(error.todo)
        super().__init__("✖ That did not work", body, grave=True)

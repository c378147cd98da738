"""Texts to read and close: a failure, the help of a step, the evidence of a finding."""

from __future__ import annotations

from rich.text import Text

from busprobe.errors import BusprobeError
from busprobe.wizard.common.question import Answer, Question

_CLOSE = (Answer("c", "Close", None),)


class Notice(Question[None]):
    """A text under a title; arrows scroll it, Enter or Escape closes it."""

    def __init__(self, title: str, body: Text | str, *, grave: bool = False) -> None:
        super().__init__(title, body, _CLOSE, grave=grave)


class Failure(Notice):
    """What happened, what it means and what to do next."""

    def __init__(self, error: BusprobeError) -> None:
        body = Text(error.what)
        if error.means:
            body.append(f"\n\n{error.means}")
        if error.todo:
            body.append("\n\nNext: ", style="bold").append(error.todo)
        super().__init__("✖ That did not work", body, grave=True)

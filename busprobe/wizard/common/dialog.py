"""A box over the screen whose text scrolls, so that what it asks is in sight on any terminal."""

from __future__ import annotations

from typing import Generic, TypeVar

from textual.screen import ModalScreen
from textual.widgets import Button

T = TypeVar("T")

_FRAME = 2
"""Lines of the screen behind that stay in sight: which bus it is, and the keys."""


class Dialog(ModalScreen[T], Generic[T]):
    """Has one `.box` with one `.body`, which gives way where the terminal is low; the buttons in
    `.answers` stand below each other where it is narrow."""

    def on_resize(self) -> None:
        """Fit the box once its parts have their size."""
        self.leave_room()

    def leave_room(self) -> None:
        """Fit the box again, after a part of it has come or gone."""
        self.call_after_refresh(self._fit)

    def _fit(self) -> None:
        box, body = self.query_one(".box"), self.query_one(".body")
        for answers in self.query(".answers"):
            buttons = [button.outer_size.width + 3 for button in answers.query(Button)]
            if not answers.has_class("stacked") and sum(buttons) - 3 > box.content_size.width:
                answers.add_class("stacked")
                self.leave_room()
                return
        others = box.virtual_size.height - body.outer_size.height + box.gutter.height
        frame = 0 if self.has_class("-low") else _FRAME
        body.styles.max_height = max(1, self.size.height - frame - others)

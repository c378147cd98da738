"""What is under the cursor of a list, in full: beside the list on a wide screen, otherwise below
it."""

from __future__ import annotations

from textual.containers import VerticalScroll


class Beside(VerticalScroll):
    """Tab goes to it where there is more than fits, so that arrows scroll it."""

    def allow_focus(self) -> bool:
        """Only what can be scrolled."""
        return super().allow_focus() and self.show_vertical_scrollbar

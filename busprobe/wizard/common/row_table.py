"""A table whose rows stand for something, and which keeps its cursor when it is filled anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Generic, TypeVar

from rich.text import Text
from textual.widgets import DataTable

K = TypeVar("K")


class RowTable(DataTable[Text], Generic[K]):
    """Rows with a key each; cells are plain text, so that nothing in them is taken for markup."""

    def __init__(
        self,
        columns: Sequence[tuple[str, int]],
        *,
        id: str | None = None,  # noqa: A002
        padding: int = 1,
    ) -> None:
        super().__init__(id=id, cursor_type="row", cell_padding=padding)
        self._keys: list[K] = []
        for title, width in columns:
            self.add_column(Text(title), width=width)

    @property
    def chosen(self) -> K | None:
        """The key of the row under the cursor; None in an empty table."""
        return self._keys[self.cursor_row] if self.row_count else None

    def choose(self, key: K) -> None:
        """Put the cursor on the row of `key`, if there is one."""
        if key in self._keys:
            self.move_cursor(row=self._keys.index(key))

    def fill(self, rows: Iterable[tuple[K, Sequence[Text | str]]]) -> None:
        """Replace all rows by (key, cells)."""
        kept = self.chosen
        self.clear()
        self._keys.clear()
        for key, cells in rows:
            self._keys.append(key)
            self.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in cells))
        if kept is not None:
            self.choose(kept)


def fitted(cells: Iterable[Text | str], columns: Iterable[tuple[str, int]]) -> list[Text | str]:
    """`cells` that end before the next one begins, for a table without padding."""
    made: list[Text | str] = []
    for cell, (_, width) in zip(cells, columns, strict=False):
        text = cell.copy() if isinstance(cell, Text) else Text(cell)
        text.truncate(width - 1, overflow="ellipsis")
        made.append(text)
    return made

"""A table of units that keeps its cursor when it is filled anew."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.text import Text
from textual.widgets import DataTable


class UnitTable(DataTable[Text]):
    """Rows with a key each; cells are plain text, so that nothing in them is taken for markup."""

    def __init__(
        self,
        columns: Sequence[tuple[str, int]],
        *,
        id: str | None = None,  # noqa: A002
        padding: int = 1,
    ) -> None:
        super().__init__(id=id, cursor_type="row", cell_padding=padding)
        for title, width in columns:
            self.add_column(Text(title), width=width)

    @property
    def chosen(self) -> str | None:
        """The key of the row under the cursor; None in an empty table."""
        if not self.row_count:
            return None
        return self.coordinate_to_cell_key(self.cursor_coordinate).row_key.value

    def fill(self, rows: Iterable[tuple[str, Sequence[Text | str]]]) -> None:
        """Replace all rows by (key, cells)."""
        kept = self.chosen
        self.clear()
        for key, cells in rows:
            self.add_row(
                *(cell if isinstance(cell, Text) else Text(cell) for cell in cells), key=key
            )
        if kept is not None and kept in {key.value for key in self.rows}:
            self.move_cursor(row=self.get_row_index(kept))


def fitted(cells: Iterable[Text | str], columns: Iterable[tuple[str, int]]) -> list[Text | str]:
    """`cells` that end before the next one begins, for a table without padding."""
    made: list[Text | str] = []
    for cell, (_, width) in zip(cells, columns, strict=False):
        text = cell.copy() if isinstance(cell, Text) else Text(cell)
        text.truncate(width - 1, overflow="ellipsis")
        made.append(text)
    return made

"""How wide the columns of a list are: as wide as what is in them where there is room, and where
there is not, what may be said shorter is, then what may be cut is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

_WIDEST_GAP = 3
"""Characters between two columns where there is room; there is always one."""


@dataclass(frozen=True)
class Column:
    """A column: its heading, with the unit of its numbers, and what it gives up first."""

    title: str
    least: int | None = None
    """Characters that are left of a longer cell where room is scarce; None: it is never cut."""
    right: bool = False
    """Whether its cells are numbers, which stand below each other by their last digit."""
    first_word: bool = False
    """Whether the first word of a cell is enough where room is scarce: a sign without its word."""
    brief: str = ""
    """The heading where room is scarce, if there is a shorter one."""
    may_go: bool = False
    """Whether it is left out before others are cut further."""

    def heading(self, *, brief: bool) -> str:
        """The heading in its full or its brief form."""
        return self.brief or self.title if brief else self.title

    def words(self, cell: str, *, brief: bool) -> str:
        """A cell in its full or its brief form."""
        return cell.split(" ", 1)[0] if brief and self.first_word else cell


@dataclass(frozen=True)
class Fit:
    """A column that is shown, with the room it has."""

    index: int
    width: int
    brief: bool


@dataclass(frozen=True)
class Fitted:
    """The columns that are shown, from left to right, and the room between two of them."""

    columns: tuple[Fit, ...]
    gap: int


def fitted(
    columns: Sequence[Column], full: Sequence[int], brief: Sequence[int], room: int
) -> Fitted:
    """Fit `columns` into `room` characters; `full` and `brief` are the widths of their longest
    cells, or of their headings, in both forms."""
    for shown in _ways(columns, full, brief):
        natural = [(brief if short else full)[index] for index, short in shown.items()]
        least = [
            wide if columns[index].least is None else min(wide, columns[index].least or 0)
            for index, wide in zip(shown, natural, strict=True)
        ]
        if sum(least) + len(least) - 1 <= room:
            break
    between = len(shown) - 1
    spare = (room - sum(natural)) // between if between else 0
    gap = max(1, min(_WIDEST_GAP, spare))
    widths = _shares(natural, least, room - gap * between)
    fits = (
        Fit(index, width, short)
        for (index, short), width in zip(shown.items(), widths, strict=True)
    )
    return Fitted(tuple(fits), gap)


def _ways(
    columns: Sequence[Column], full: Sequence[int], brief: Sequence[int]
) -> Iterator[dict[int, bool]]:
    """Which columns are shown, and whether in brief: one saving after the other, down to the first
    column alone."""
    shown = dict.fromkeys(range(len(columns)), False)
    yield shown
    for index in shown:
        if brief[index] < full[index]:
            shown[index] = True
            yield shown
    last_first = sorted(shown, key=lambda index: (not columns[index].may_go, -index))
    for index in last_first[:-1]:
        del shown[index]
        yield shown


def _shares(natural: Sequence[int], least: Sequence[int], room: int) -> list[int]:
    """`room` shared out: the longest columns are cut first, none below its least width."""
    widths = list(natural)
    while sum(widths) > room:
        can = [index for index, wide in enumerate(widths) if wide > least[index]]
        if not can:
            widths[-1] = max(1, widths[-1] - (sum(widths) - room))
            break
        widths[max(can, key=lambda index: widths[index])] -= 1
    return widths

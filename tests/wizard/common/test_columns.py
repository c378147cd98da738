"""Columns share the room of a line: nothing is cut while there is room, nothing touches, nothing
runs over the edge."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.wizard.common.columns import Column, fitted

ADDRESS = Column("Address", right=True, first_word=True, brief="Addr")
WHAT = Column("What it is", least=12)
TAG = Column("Tag", least=6)
TIME = Column("Time", may_go=True)
COLUMNS = (ADDRESS, WHAT, TAG, TIME)
FULL, BRIEF = (10, 30, 8, 15), (4, 30, 8, 15)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[Column], list[int], list[int], int]:
    count = draw(st.integers(1, 9))
    columns, full, brief = [], [], []
    for _ in range(count):
        wide = draw(st.integers(1, 40))
        columns.append(
            Column(
                "x",
                least=draw(st.none() | st.integers(1, 20)),
                first_word=draw(st.booleans()),
                may_go=draw(st.booleans()),
            )
        )
        full.append(wide)
        brief.append(draw(st.integers(1, wide)))
    return columns, full, brief, draw(st.integers(1, 250))


@given(tables())
def test_what_is_shown_fits_and_nothing_is_cut_while_there_is_room(
    table: tuple[list[Column], list[int], list[int], int],
) -> None:
    columns, full, brief, room = table
    made = fitted(columns, full, brief, room)
    used = sum(fit.width for fit in made.columns) + made.gap * (len(made.columns) - 1)
    assert made.gap >= 1
    assert used <= max(room, 1)
    assert [fit.index for fit in made.columns] == sorted({fit.index for fit in made.columns})
    cut = False
    for fit in made.columns:
        natural = (brief if fit.brief else full)[fit.index]
        assert 1 <= fit.width <= natural
        cut = cut or fit.width < natural
        least = columns[fit.index].least
        if len(made.columns) > 1:
            assert fit.width >= min(natural, natural if least is None else least)
    saved = cut or len(made.columns) < len(columns) or any(fit.brief for fit in made.columns)
    if saved:
        assert sum(full) + len(columns) - 1 > room
    if cut:
        assert used == room


def test_words_go_before_texts_are_cut_below_their_least_width() -> None:
    """At first the longest text is cut, then words go from behind signs, then whole columns."""
    for room, widths, brief in (
        (72, [10, 30, 8, 15], [False] * 4),
        (60, [10, 24, 8, 15], [False] * 4),
        (47, [10, 12, 7, 15], [False] * 4),
        (45, [4, 15, 8, 15], [True, False, False, False]),
        (40, [4, 12, 6, 15], [True, False, False, False]),
        (30, [4, 16, 8], [True, False, False]),
        (24, [4, 12, 6], [True, False, False]),
        (18, [4, 13], [True, False]),
        (5, [4], [True]),
    ):
        made = fitted(COLUMNS, FULL, BRIEF, room)
        assert [fit.width for fit in made.columns] == widths, room
        assert [fit.brief for fit in made.columns] == brief, room


def test_columns_stand_apart_where_there_is_room() -> None:
    assert [fitted(COLUMNS, FULL, BRIEF, room).gap for room in (66, 69, 72, 200)] == [1, 2, 3, 3]


def test_the_brief_form_of_a_cell_is_its_first_word() -> None:
    assert ADDRESS.words("11 (0x0B)", brief=True) == "11"
    assert ADDRESS.words("11 (0x0B)", brief=False) == "11 (0x0B)"
    assert WHAT.words("AT-10 Aldermoor", brief=True) == "AT-10 Aldermoor"

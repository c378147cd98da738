"""Notes of a data sheet."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.profiles.drafting.notes import Notes, NotesError, notes, read_notes
from busprobe.profiles.registers import Numbering, Register
from busprobe.profiles.schema import PointType


def test_name_and_register_are_enough_and_all_else_is_kept_as_it_was_written() -> None:
    made = notes(
        {
            "points": [{"name": "Energy", "register": 40021, "unit": "kWh", "shows": 12.5}],
            "numbering": "reference",
            "readdress": {"register": 40001},
        }
    )
    (point,) = made.points
    assert made.numbering is Numbering.REFERENCE
    assert made.at(point) == Register(20, 40021)
    assert made.fields == {"numbering": "reference", "readdress": {"register": 40001}}
    assert made.raw_points[0]["unit"] == "kWh"
    assert (point.type, point.order, point.function, point.shows) == (None, None, None, 12.5)


def test_registers_count_as_on_the_wire_where_nothing_is_said() -> None:
    made = notes({"points": [{"name": "A", "register": 5}]})
    assert made.numbering is None
    assert made.at(made.points[0]) == Register(5, 5)


def test_all_mistakes_come_at_once_with_their_places(tmp_path: Path) -> None:
    path = tmp_path / "notes.toml"
    path.write_text(
        'numbering = "roman"\n\n[[points]]\nname = "A"\n\n[[points]]\nname = "B"\nregister ='
        ' 70000\n\n[[points]]\nname = "C"\nregister = 1\ntyp = "int16"\n'
    )
    with pytest.raises(FileError) as caught:
        read_notes(path)
    assert [mistake.where for mistake in caught.value.mistakes] == [
        "numbering (line 1)",
        "points.1.register (line 3)",
        "points.2.register (line 8)",
        "points.3.typ (line 13)",
    ]


@given(
    st.dictionaries(
        st.sampled_from(["points", "numbering", "maker"]),
        st.integers()
        | st.text(max_size=3)
        | st.lists(st.integers() | st.dictionaries(st.text(max_size=3), st.text())),
    )
)
def test_whatever_notes_hold_they_are_notes_or_say_what_is_wrong(data: dict[str, object]) -> None:
    try:
        assert isinstance(notes(data), Notes)
    except NotesError as error:
        assert error.found


def test_a_small_reference_is_a_coil_only_where_a_bit_is_meant() -> None:
    def made(**more: object) -> Notes:
        return notes({"numbering": "reference", "points": [{"name": "P", "register": 5, **more}]})

    with pytest.raises(NotesError, match="5 is no register reference but that of a coil"):
        made()
    for said in ({"function": 1}, {"type": "bool"}):
        coil = made(**said)
        assert coil.at(coil.points[0]) == Register(4, 5)
        assert coil.points[0].kinds == (PointType.BOOL,)

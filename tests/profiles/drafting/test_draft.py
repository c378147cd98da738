"""A profile drafted from notes and what a unit gave."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.profiles.drafting.draft import Draft, Seen, draft, to_read
from busprobe.profiles.drafting.notes import Notes, NotesError, notes
from busprobe.profiles.loading import load_profile
from busprobe.profiles.read_requests import Block
from busprobe.profiles.registers import Numbering
from busprobe.profiles.schema import Profile, WordOrder
from busprobe.profiles.standards import descriptions


def floats(*values: float) -> list[int]:
    data = b"".join(struct.pack(">f", value) for value in values)
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def seen(words: list[int], *, first: int = 0, function: int = 3, **fields: Any) -> Seen:
    return Seen({(function, first + i): word for i, word in enumerate(words)}, **fields)


def voltages(first: int, **fields: Any) -> Notes:
    points = [
        {"name": f"L{i + 1}", "register": first + 2 * i, "unit": "V", **fields} for i in range(3)
    ]
    return notes({"points": points})


def loaded(made: Draft, folder: Path, id_: str = "glenmoss-g-9") -> Profile:
    path = folder / f"{id_}.toml"
    path.write_text(made.toml(id_), encoding="utf-8")
    return load_profile(path)


VOLTS = floats(230.4, 231.1, 229.7)


def test_the_most_plausible_ways_make_a_valid_profile(tmp_path: Path) -> None:
    profile = loaded(draft(voltages(0), seen(VOLTS)), tmp_path)
    assert [(p.name, p.function, p.at.wire, str(p.type), p.order) for p in profile.points] == [
        ("L1", 3, 0, "float32", WordOrder.ABCD),
        ("L2", 3, 2, "float32", WordOrder.ABCD),
        ("L3", 3, 4, "float32", WordOrder.ABCD),
    ]
    assert profile.factory is None


@pytest.mark.parametrize(
    ("stated", "first", "becomes"),
    [
        (None, 1, Numbering.ONE_BASED),
        ("wire", 1, Numbering.ONE_BASED),
        ("one-based", 0, Numbering.WIRE),
    ],
)
def test_numbering_that_is_off_by_one_is_named_and_put_right(
    tmp_path: Path, stated: str | None, first: int, becomes: Numbering
) -> None:
    """A data sheet whose numbers, taken as it says, are one register beside what the unit has."""
    known = voltages(first, type="float32", order="ABCD")
    if stated == "one-based":
        known = notes(
            {
                "numbering": stated,
                "points": [
                    {**raw, "register": 2 * i + 5} for i, raw in enumerate(known.raw_points)
                ],
            }
        )
        made = draft(known, seen(VOLTS, first=5))
    else:
        made = draft(
            notes({**({"numbering": stated} if stated else {}), "points": list(known.raw_points)}),
            seen(VOLTS),
        )
    assert made.numbering is becomes
    assert "off by one" in made.remarks[0]
    profile = loaded(made, tmp_path)
    assert profile.numbering is becomes
    assert [p.at.wire for p in profile.points] == (
        [5, 7, 9] if stated == "one-based" else [0, 2, 4]
    )


def test_what_the_notes_say_of_the_unit_is_kept(tmp_path: Path) -> None:
    known = notes(
        {
            "maker": "Glenmoss Works",
            "model": "G-9",
            "factory": {"address": 1, "settings": "9600-8N1"},
            "readdress": {"register": 100, "function": 6},
            "limits": {"gap_s": 0.05},
            "points": [
                {"name": "L1", "register": 0, "unit": "V", "plausible_max": 300, "shows": 230.5}
            ],
        }
    )
    profile = loaded(draft(known, seen(VOLTS, most_registers=8)), tmp_path)
    assert str(profile) == "Glenmoss Works G-9"
    assert profile.readdress is not None
    assert profile.readdress.at.wire == 100
    assert (profile.limits.gap_s, profile.limits.registers) == (0.05, 8)
    assert profile.points[0].plausible_max == 300


def test_a_unit_that_says_what_it_is_gives_the_fingerprint(tmp_path: Path) -> None:
    objects = {0: "Glenmoss Works", 1: "G-9", 2: "1.0"}
    by_objects = loaded(
        draft(voltages(0), seen(VOLTS, objects=objects, descriptions=descriptions(objects, None))),
        tmp_path,
    )
    assert (by_objects.maker, by_objects.model) == ("Glenmoss Works", "G-9")
    assert [test.equals for test in by_objects.fingerprint.objects] == ["Glenmoss Works", "G-9"]
    by_id = loaded(
        draft(
            voltages(0),
            seen(VOLTS, server_id="G-9 0417", descriptions=descriptions(None, "G-9 0417")),
        ),
        tmp_path,
    )
    assert by_id.model == "G-9"
    assert by_id.fingerprint.server_id is not None
    assert by_id.fingerprint.server_id.starts_with == "G-9"


def test_hostile_texts_of_a_unit_do_not_get_into_a_profile(tmp_path: Path) -> None:
    objects = {0: "\\x1b[2J", 1: "[red]=1+1"}  # as `busprobe.text.from_device` gives them
    profile = loaded(
        draft(voltages(0), seen(VOLTS, objects=objects, descriptions=descriptions(objects, None))),
        tmp_path,
    )
    assert profile.maker == "not known"
    assert [test.equals for test in profile.fingerprint.objects] == ["[red]=1+1"]


def test_points_the_unit_does_not_have_are_left_out_and_said(tmp_path: Path) -> None:
    known = notes({"points": [*voltages(0).raw_points, {"name": "Humidity", "register": 90}]})
    made = draft(known, seen(VOLTS))
    assert any(
        remark.startswith("Humidity: the unit gives no register at or beside 90")
        for remark in made.remarks
    )
    assert "# Left out, since the unit gave no such register: Humidity." in made.toml(
        "glenmoss-g-9"
    )
    assert len(loaded(made, tmp_path).points) == 3


def test_what_was_chosen_says_what_else_it_may_be() -> None:
    made = draft(notes({"points": [{"name": "T", "register": 0}]}), seen([235]))
    text = made.toml("glenmoss-g-9")
    assert "# Read 0x00EB as 235; not compared with a display." in text
    assert "Less plausible: 23.5" in text
    assert "Not settled until the display or the data sheet is compared: T." in made.remarks
    settled = draft(notes({"points": [{"name": "T", "register": 0, "shows": 23.5}]}), seen([235]))
    assert settled.remarks == ()


def test_a_way_that_was_chosen_goes_first_and_is_settled(tmp_path: Path) -> None:
    """Whatever else looks more plausible, and whatever the register holds later."""
    known = notes({"points": [{"name": "T", "register": 0}, {"name": "U", "register": 8}]})
    open_ = draft(known, seen([235]))
    way = next(w.way for w in open_.choices[0].ways if w.reading.text == "2.35" and w.shift == 0)
    made = draft(known, seen([0xFFF0]), {"T": way})
    choice = made.choices[0]
    assert choice.chosen
    assert choice.best is not None
    assert choice.best.way == way
    assert not choice.open
    assert "Read 0xFFF0 as" in made.toml("glenmoss-g-9")
    assert "chosen at the unit" in made.toml("glenmoss-g-9")
    assert loaded(made, tmp_path).points[0].scale == 0.01


def test_ways_chosen_one_register_lower_put_the_numbering_right(tmp_path: Path) -> None:
    known = voltages(1, type="float32")
    way = {
        c.noted.name: next(w.way for w in c.ways if w.shift == -1)
        for c in draft(known, seen(VOLTS)).choices
    }
    made = draft(known, seen(VOLTS), way)
    assert (made.shift, made.numbering) == (-1, Numbering.ONE_BASED)
    assert [p.at.wire for p in loaded(made, tmp_path).points] == [0, 2, 4]


def test_the_registers_of_a_point_say_which_types_it_can_be(tmp_path: Path) -> None:
    """Named from first to last in the data sheet; a number has no length in the profile, its type
    tells."""
    known = notes(
        {"points": [{"name": "P", "register": 0, "length": 2}, {"name": "Q", "register": 2}]}
    )
    made = draft(known, seen([*floats(6.5), 7, 7]))
    assert {way.point.count for way in made.choices[0].ways} == {2}
    assert {way.point.count for way in made.choices[1].ways} == {1, 2}
    point = loaded(made, tmp_path).points[0]
    assert (point.count, point.length) == (2, None)
    for wrong in ({"length": 2, "type": "int16"}, {"length": 3}, {"length": 2, "type": "float64"}):
        with pytest.raises(NotesError, match="registers hold no"):
            notes({"points": [{"name": "P", "register": 0, **wrong}]})


def test_one_order_that_is_settled_settles_the_others() -> None:
    """Two counters in CDAB, read one register too high in ABCD just as well; the second follows the
    first."""
    points = [
        {"name": n, "register": r, "type": "uint32", "function": 3} for n, r in (("E", 1), ("V", 5))
    ]
    unit = seen([0, 0x5DC0, 1, 0x5DC0, 0, 0x9C40, 1, 0x9C40])
    before = draft(notes({"points": points}), unit)
    assert [choice.doubt is not None for choice in before.choices] == [True, True]
    way = next(w.way for w in before.choices[0].ways if w.point.order == "CDAB" and w.shift == 0)
    first, second = draft(notes({"points": points}), unit, {"E": way}).choices
    assert first.chosen
    assert second.best is not None
    assert (second.best.point.order, second.best.shift) == (WordOrder.CDAB, 0)
    assert second.doubt is None


def test_what_was_not_asked_for_yet_is_not_said_to_be_missing() -> None:
    known = notes({"points": [{"name": "T", "register": 0}, {"name": "U", "register": 40}]})
    asked = frozenset(
        key for block in to_read(notes({"points": [known.raw_points[0]]})) for key in block.keys
    )
    made = draft(known, seen([235], asked=asked))
    assert [choice.unasked for choice in made.choices] == [False, True]
    assert not any(remark.startswith("U:") for remark in made.remarks)
    assert "the unit was not asked for it: U." in made.toml("glenmoss-g-9")
    assert any(
        remark.startswith("U: the unit gives no") for remark in draft(known, seen([235])).remarks
    )


def test_what_looks_right_only_now_and_then_gives_way_to_what_always_does() -> None:
    """A float whose halves, taken the other way round, are a likely number at this moment."""
    known = notes(
        {
            "points": [
                {"name": "Wind", "register": 0, "unit": "m/s", "function": 3, "type": "float32"}
            ]
        }
    )
    always = floats(6.4)[::-1]
    by_chance = [0x4120, always[1]]  # as it comes 10.0, the other way round 6.4
    once = draft(known, seen(by_chance)).choices[0].ways
    assert {str(way.point.order) for way in once if way.plausibility == once[0].plausibility} == {
        "ABCD",
        "CDAB",
    }
    earlier = ({(3, i): word for i, word in enumerate(always)},)
    best, *others = draft(known, seen(by_chance, earlier=earlier)).choices[0].ways
    assert str(best.point.order) == "CDAB"
    assert all(other.plausibility < best.plausibility / 2 for other in others)


def test_a_display_that_shows_something_else_is_said_and_hides_nothing() -> None:
    made = draft(notes({"points": [{"name": "T", "register": 0, "shows": 4711}]}), seen([235]))
    (choice,) = made.choices
    assert choice.agrees is False
    assert choice.ways
    assert any("nothing reads like 4711" in remark for remark in made.remarks)


def test_the_display_may_have_been_read_a_moment_ago() -> None:
    """Live values move on between the look at the display and the look at the unit."""
    known = notes({"points": [{"name": "T", "register": 0, "shows": 23.5}]})
    best = draft(known, seen([287], earlier=({(3, 0): 235},))).choices[0].best
    assert best is not None
    assert best.reading.text == "28.7"


def test_a_scale_in_a_register_is_read_and_written_into_the_profile(tmp_path: Path) -> None:
    """Value 1234, exponent -2 three registers on; the unit counts from 0 and the data sheet from
    1."""
    known = notes(
        {"points": [{"name": "P", "register": 1, "unit": "kW", "scale_register": {"register": 4}}]}
    )
    assert to_read(known) == (Block(3, 0, 6), Block(4, 0, 6))
    made = draft(known, seen([1234, 0, 0, 0xFFFE], function=3))
    best = made.choices[0].best
    assert best is not None
    assert (best.reading.text, made.numbering) == ("12.34 kW", Numbering.ONE_BASED)
    (point,) = loaded(made, tmp_path).points
    assert point.scale_register is not None
    assert (point.at.wire, point.scale_register.at.wire, point.scale_register.at.sheet) == (0, 3, 4)


def test_a_register_that_is_the_same_in_every_unit_becomes_the_fingerprint(tmp_path: Path) -> None:
    """A unit that says nothing of itself can be known by its type code."""
    code = {"name": "Type code", "register": 0, "fixed": True, "type": "uint16"}
    known = notes({"points": [code, {"name": "T", "register": 1}]})
    (test,) = loaded(draft(known, seen([0x4712, 235])), tmp_path).fingerprint.registers
    assert (test.function, test.at.wire, test.equals, test.meaning) == (3, 0, 0x4712, "Type code")


def test_numbers_that_look_like_references_are_taken_so_and_said(tmp_path: Path) -> None:
    made = draft(
        notes({"points": [{"name": "T", "register": 30011, "unit": "°C"}]}),
        seen([235], first=10, function=4),
    )
    assert made.numbering is Numbering.REFERENCE
    assert "look like references" in made.remarks[0]
    assert loaded(made, tmp_path).points[0].at.wire == 10
    stated = notes({"numbering": "wire", "points": [{"name": "T", "register": 30011}]})
    assert stated.at(stated.points[0]).wire == 30011


def test_what_the_maker_says_in_objects_of_its_own_is_offered_not_claimed(tmp_path: Path) -> None:
    made = draft(voltages(0), seen(VOLTS, objects={0: "Glenmoss", 1: "G-9", 0x80: "SN 0417"}))
    assert (
        "# It says 'SN 0417' in object 0x80; where that is its serial number, write: objects = "
        in made.toml("g-9")
    )
    assert loaded(made, tmp_path).objects == ()


def test_mistakes_of_the_notes_are_told_before_anything_is_written() -> None:
    known = notes(
        {"factory": {"address": 300, "settings": "9600"}, "points": [{"name": "T", "register": 0}]}
    )
    with pytest.raises(UsageError, match=r"factory\.address.*factory\.settings"):
        draft(known, seen([235])).toml("glenmoss-g-9")


def test_what_is_to_be_read_is_joined_where_it_touches() -> None:
    assert to_read(voltages(1, function=3)) == (Block(3, 0, 10),)
    assert to_read(
        notes({"points": [{"name": "A", "register": 5}, {"name": "B", "register": 60}]})
    ) == (
        Block(3, 4, 6),
        Block(3, 59, 6),
        Block(4, 4, 6),
        Block(4, 59, 6),
    )
    far = notes(
        {"points": [{"name": str(r), "register": r, "function": 3} for r in range(0, 300, 3)]}
    )
    assert all(block.count <= 125 for block in to_read(far))


@given(
    st.lists(
        st.fixed_dictionaries(
            {"name": st.text("abc", min_size=1, max_size=3), "register": st.integers(0, 12)},
            optional={
                "type": st.sampled_from(["int16", "uint32", "float32", "text", "bits", "enum"]),
                "unit": st.sampled_from(["V", "kWh"]),
                "shows": st.floats(-100, 100),
                "length": st.integers(1, 4),
            },
        ),
        max_size=4,
    ),
    st.lists(st.integers(0, 0xFFFF), max_size=14),
)
def test_a_draft_is_a_valid_profile_or_says_what_is_wrong(
    tmp_path_factory: pytest.TempPathFactory, points: list[dict[str, Any]], words: list[int]
) -> None:
    try:
        noted = notes({"points": points})
    except NotesError as error:
        assert "registers hold no" in str(error) and any("length" in point for point in points)
        return
    made = draft(noted, seen(words))
    assert all(way.reading.document() for choice in made.choices for way in choice.ways)
    try:
        assert loaded(made, tmp_path_factory.mktemp("draft")).id == "glenmoss-g-9"
    except UsageError as error:
        assert "These notes do not make a valid profile" in error.what


def test_an_order_of_the_data_sheet_that_the_display_contradicts_is_said() -> None:
    known = notes(
        {
            "points": [
                {"name": "Flow", "register": 0, "type": "float32", "order": "ABCD", "shows": 12.5}
            ]
        }
    )
    made = draft(known, seen([0x0000, 0x4148]))
    assert made.choices[0].best is not None
    assert made.choices[0].best.point.order == "CDAB"
    assert made.contradictions == ()
    assert any("in the order ABCD" in words and "CDAB" in words for words in made.remarks)
    assert 'order = "CDAB"' in made.toml("a-b")


def test_what_agrees_with_the_display_goes_before_where_all_others_are_read() -> None:
    """Three points speak for a numbering that is off by one; the display of the fourth does not."""
    known = notes(
        {
            "points": [
                {"name": f"V{n}", "register": 10 + 2 * n, "unit": "V", "type": "float32"}
                | {"order": "ABCD"}
                for n in range(3)
            ]
            + [{"name": "T", "register": 30, "type": "uint16", "shows": 235}]
        }
    )
    volts = struct.unpack(">HH", struct.pack(">f", 230.1))
    registers = {(3, 9 + n): volts[n % 2] for n in range(6)}
    registers |= {(3, 29): 77, (3, 30): 235, (3, 31): 9}
    made = draft(known, Seen(registers))
    assert made.shift == -1
    best = made.choices[3].best
    assert best is not None and best.reading.value == 235


def test_a_reading_that_contradicts_the_display_is_named() -> None:
    known = notes({"points": [{"name": "T", "register": 0, "type": "uint16", "shows": 4711}]})
    made = draft(known, seen([235]))
    [words] = made.contradictions
    assert "T" in words and "4711" in words and "23" in words

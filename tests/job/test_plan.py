"""Plans of the bus: spreadsheets as people make them, and every mistake at once with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.job import Job, UnitRecord
from busprobe.job.plan import differences, keep_plan, kept_plan, load_plan
from busprobe.line.place import Place


def plan(folder: Path, text: str | bytes) -> Path:
    path = folder / "plan.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_plan_in_cable_order(tmp_path: Path) -> None:
    units = load_plan(
        plan(
            tmp_path,
            "tag,location,profile,address,settings\nTT-1,Hall"
            " 2,aldermoor-at-10,11,9600-8n1\n\nEM-1,Panel 3,,12,\n",
        )
    )
    assert [(u.tag, u.address, str(u.settings), u.position) for u in units] == [
        ("TT-1", 11, "9600-8N1", 1),
        ("EM-1", 12, "None", 2),
    ]


def test_a_spreadsheets_semicolons_byte_order_mark_and_spare_columns_do_no_harm(
    tmp_path: Path,
) -> None:
    units = load_plan(plan(tmp_path, "\ufeffAddress;Tag;Remark\r\n11;TT-1;=1+1\r\n"))
    assert [(u.tag, u.address) for u in units] == [("TT-1", 11)]


def test_all_mistakes_are_reported_at_once_with_their_places(tmp_path: Path) -> None:
    text = "tag,address,settings\n,11,\nA,300,\nB,12,fast\nC,12,\nD,12,\nC,13,\n"
    with pytest.raises(FileError) as caught:
        load_plan(plan(tmp_path, text))
    places = [mistake.where for mistake in caught.value.mistakes]
    assert places == [
        "line 2, tag ''",
        "line 3, address '300'",
        "line 4, settings 'fast'",
        "line 6, address",
        "line 7, tag",
    ]


@pytest.mark.parametrize(
    "text", ["", "a,b\n1,2\n", "tag,address\n", b"\xff\xfe\x00", 'tag,address\n"x,1\n']
)
def test_what_is_no_plan_says_so(tmp_path: Path, text: str | bytes) -> None:
    with pytest.raises(FileError, match=r"plan\.csv cannot be used") as caught:
        load_plan(plan(tmp_path, text))
    assert caught.value.todo


def test_a_missing_plan_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no such file"):
        load_plan(tmp_path / "absent.csv")


@given(text=st.text(max_size=80))
def test_any_text_is_a_plan_or_a_file_error(
    text: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.getbasetemp()
    try:
        units = load_plan(plan(folder, "tag,address,location\n" + text))
    except FileError:
        return
    for unit in units:
        assert (unit.tag + unit.location).isprintable()


def test_a_plan_is_kept_with_its_job(tmp_path: Path) -> None:
    planned = load_plan(
        plan(tmp_path, "tag,address,settings,profile\nA,11,9600-8E1,brookvale-bm-330\nB,12,,\n")
    )
    with Job.create(tmp_path / "plant.busjob") as job:
        assert kept_plan(job) == ()
        keep_plan(job, planned)
    with Job.open(tmp_path / "plant.busjob") as job:
        assert kept_plan(job) == planned


def test_missing_extra_and_wrong_units_are_told_apart(tmp_path: Path) -> None:
    planned = load_plan(
        plan(
            tmp_path,
            "tag,address,settings,profile\nA,11,,\nB,12,,at\nC,13,9600-8E1,\nD,14,9600-8N1,cd\n",
        )
    )
    units = [
        UnitRecord(Place.parse("12 9600-8N1"), profile="bm"),
        UnitRecord(Place.parse("13 9600-8N1")),
        UnitRecord(Place.parse("14 9600-8N1"), profile="cd"),
        UnitRecord(Place.parse("20 9600-8N1")),
    ]
    assert differences(planned, units) == (
        "Planned and not found: A at 11 (0x0B).",
        "B at 12 (0x0C) is planned as at, and a bm answers there.",
        "C at 13 (0x0D) is planned with 9600-8E1 and was found at 9600-8N1.",
        "Found and not planned: unit 20 (0x14).",
    )
    assert differences((), units) == ()


def test_places_distances_and_terminators_are_read_where_they_are_given(tmp_path: Path) -> None:
    text = "tag;address;position;distance;terminator\nB;12;2;37,5;yes\nA;11;1;12;No\nC;13;3;;\n"
    found = [
        (u.tag, u.position, u.distance_m, u.terminator) for u in load_plan(plan(tmp_path, text))
    ]
    assert found == [("B", 2, 37.5, True), ("A", 1, 12.0, False), ("C", 3, None, None)]
    with Job.create(tmp_path / "a.busjob") as job:
        keep_plan(job, load_plan(plan(tmp_path, text)))
        assert kept_plan(job) == load_plan(plan(tmp_path, text))


@pytest.mark.parametrize(
    ("rows", "where"),
    [
        ("A,11,1,,\nB,12,,,", "position: B has none"),
        ("A,11,1,,\nB,12,1,,", "line 3, position: 1 is A's place already"),
        ("A,11,0,,", "line 2, position '0'"),
        ("A,11,,far,", "line 2, distance 'far'"),
        ("A,11,,-1,", "line 2, distance '-1'"),
        ("A,11,,nan,", "line 2, distance 'nan'"),
        ("A,11,,,maybe", "line 2, terminator 'maybe': write yes or no"),
        ("A,11,,50,\nB,12,,20,", "distance: B comes after A, but is 20 m"),
    ],
)
def test_a_place_that_cannot_be_is_named(tmp_path: Path, rows: str, where: str) -> None:
    with pytest.raises(FileError) as caught:
        load_plan(plan(tmp_path, f"tag,address,position,distance,terminator\n{rows}\n"))
    assert where in str(caught.value)

"""The circuits of meters go out with the papers, are filled in in a spreadsheet, and come back the
same."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.handover.circuits import (
    circuit_rows,
    circuit_tables,
    circuits_of,
    load_circuits,
    with_circuit,
    without_circuit,
)
from busprobe.handover.formats.csv_files import csv_bytes
from busprobe.job.records import Circuit, UnitRecord
from busprobe.line.place import Place
from busprobe.profiles.schema import Profile, parse_profile
from tests.handover.hostile import EMPTY
from tests.job.readings import reading

METER = parse_profile(
    {
        "id": "hazel-hm-3",
        "maker": "Hazel Metering",
        "model": "HM-3",
        "kind": "energy meter",
        "numbering": "wire",
        "points": [
            {
                "name": f"Current {channel}",
                "function": 4,
                "register": n,
                "type": "uint16",
                "channel": channel,
            }
            for n, channel in enumerate(("L1", "L2"))
        ],
    }
)
PROFILES = {METER.id: METER}
FOUND = UnitRecord(
    Place.parse("41 9600-8N1"),
    tag="EM-1",
    profile=METER.id,
    readings=(
        reading(
            "Current L2", register=2, unit="A", scale=0.1, registers=(42,), value=4.2, text="4.2 A"
        ),
    ),
)
BARE = UnitRecord(Place.parse("12 9600-8N1"), tag="EM-2")
L2 = Circuit("L2", "7", "200/5", "B", "DB-3", "14", "chiller", True)


def note(folder: Path, text: str | bytes) -> Path:
    path = folder / "circuits.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def exported(units: list[UnitRecord], profiles: dict[str, Profile]) -> bytes:
    rows = tuple(
        row for unit in units for row in circuit_rows(unit, profiles.get(unit.profile or ""))
    )
    (table,) = circuit_tables(replace(EMPTY, circuits=rows))
    return csv_bytes(table)


def test_channels_are_those_of_the_profile_and_any_other_that_was_noted() -> None:
    assert circuits_of(FOUND, METER) == (Circuit("L1"), Circuit("L2"))
    assert circuits_of(with_circuit(FOUND, L2), METER) == (Circuit("L1"), L2)
    assert circuits_of(with_circuit(BARE, Circuit("A")), None) == (Circuit("A"),)
    again = with_circuit(with_circuit(FOUND, L2), replace(L2, load="pump"))
    assert again.circuits == (replace(L2, load="pump"),)
    assert without_circuit(again, "L1") == again
    assert without_circuit(again, "L2") == FOUND


def test_a_segment_without_meters_has_no_such_table() -> None:
    assert list(circuit_tables(EMPTY)) == []


def test_a_row_says_what_was_read_of_its_channel() -> None:
    one, two = circuit_rows(FOUND, METER)
    assert (one.values, two.values) == ("", "Current L2 4.2 A")


def test_a_filled_list_is_read_and_columns_that_are_not_there_stay_as_they_were(
    tmp_path: Path,
) -> None:
    text = "\ufeffAddress;Channel;CT no.;Direction checked;Tag\n41;l2; 7 ;Yes;EM-1\n\n12;Main;;;\n"
    known = with_circuit(FOUND, Circuit("L2", load="chiller"))
    assert load_circuits(note(tmp_path, text), [known, BARE], PROFILES) == {
        FOUND.place: (Circuit("L2", ct="7", load="chiller", direction_checked=True),),
        BARE.place: (Circuit("Main"),),
    }


def test_all_mistakes_are_told_at_once_with_their_places(tmp_path: Path) -> None:
    text = (
        "address,line settings,channel,load,direction checked\n"
        "40,,L1,,\n"
        "41,,L9,,\n"
        "41,,L1,,maybe\n"
        "41,19200-8E1,L1,,\n"
        "41,, ,,\n"
        "41,,L2,,\n"
        "41,,L2,,\n"
        f"41,,L1,{'x' * 101},\n"
        "300,,L1,,\n"
    )
    with pytest.raises(FileError, match="list of circuits") as caught:
        load_circuits(note(tmp_path, text), [FOUND], PROFILES)
    told = [f"{mistake.where}: {mistake.what}" for mistake in caught.value.mistakes]
    for place, (start, words) in enumerate(
        (
            ("line 2, address", "no unit is listed at 40 (0x28)"),
            ("line 3, channel", "'L9' is none of this unit's channels: L1, L2"),
            ("line 4, direction checked 'maybe'", "write yes or no"),
            ("line 5, address", "no unit is listed at 41 (0x29) at 19200-8E1, but one at 9600-8N1"),
            ("line 6, channel ' '", "at least 1 character"),
            ("line 8, channel", "'L2' of unit 41 comes twice"),
            ("line 9, load", "at most 100 characters"),
            ("line 10, address '300'", "less than or equal to 247"),
        )
    ):
        assert told[place].startswith(start) and words in told[place]
    assert len(told) == 8


def test_two_units_at_one_address_are_told_apart_by_their_line_settings(tmp_path: Path) -> None:
    both = [FOUND, replace(FOUND, place=Place.parse("41 19200-8E1"))]
    with pytest.raises(FileError, match="several units are listed at 41"):
        load_circuits(note(tmp_path, "address,channel\n41,L1\n"), both, PROFILES)
    named = note(tmp_path, "address,line settings,channel,ct no.\n41,19200-8E1,L1,3\n")
    assert load_circuits(named, both, PROFILES) == {both[1].place: (Circuit("L1", ct="3"),)}


@pytest.mark.parametrize(
    "text", ["", "a,b\n1,2\n", "address,channel\n", b"\xff\xfe\x00", 'address,channel\n"41,L1\n']
)
def test_what_is_no_such_list_says_so(tmp_path: Path, text: str | bytes) -> None:
    with pytest.raises(FileError, match=r"circuits\.csv cannot be used") as caught:
        load_circuits(note(tmp_path, text), [FOUND], PROFILES)
    assert caught.value.todo


words = st.text(st.sampled_from("ab =+-@;,'\"\\\n\t1|＝"), max_size=8)


@given(words, words, words, st.sampled_from([True, False, None]))
def test_a_list_that_goes_out_comes_back_and_never_grows(
    tmp_path_factory: pytest.TempPathFactory, ct: str, panel: str, load: str, checked: bool | None
) -> None:
    """Whatever was typed: what the papers had to write another way is the same from the second time
    on."""
    folder = tmp_path_factory.getbasetemp()
    unit = with_circuit(FOUND, Circuit("L2", ct, "", "", panel, "", load, checked))
    out = exported([unit], PROFILES)
    back = replace(FOUND, circuits=load_circuits(note(folder, out), [FOUND], PROFILES)[FOUND.place])
    assert circuits_of(back, METER)[1].direction_checked is checked
    odd = any(
        text != text.strip("\n\t ';") or ";" in text or not text.isprintable()
        for text in (ct, panel, load)
    )
    assert odd or circuits_of(back, METER) == circuits_of(unit, METER)
    again = replace(
        FOUND,
        circuits=load_circuits(note(folder, exported([back], PROFILES)), [FOUND], PROFILES)[
            FOUND.place
        ],
    )
    assert again == back

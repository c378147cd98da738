from __future__ import annotations

import csv
import io
import re
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats import csv_files
from busprobe.handover.table import Cell
from tests.handover.hostile import EMPTY, saying


def read(content: bytes, delimiter: str = ",") -> list[list[str]]:
    return list(
        csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=delimiter)
    )


def records(content: bytes) -> list[dict[str, str]]:
    titles, *rows = read(content)
    return [dict(zip(titles, row, strict=True)) for row in rows]


def test_the_bus_list_reads_back_with_its_titles(bus_list: BusList) -> None:
    found = records(csv_files.files(bus_list)["bus-list.csv"])
    assert [(row["No."], row["Address"], row["Address hex"], row["State"]) for row in found] == [
        ("1", "5", "0x05", "unit"),
        ("2", "12", "0x0C", "unit"),
        ("3", "1", "0x01", "reserved"),
        ("4", "240", "0xF0", "reserved"),
    ]
    sensor = found[1]
    assert (sensor["Tag"], sensor["Location"], sensor["Serial no."]) == (
        "TT-12",
        "Hall 2, panel B",
        "00451",
    )
    assert (sensor["Read functions"], sensor["Word order"], sensor["Gap needed ms"]) == (
        "3 4",
        "CDAB",
        "20.0",
    )
    assert (sensor["Test polls"], sensor["Timeouts"], sensor["Other errors"]) == ("100", "1", "2")
    assert (sensor["Power cycle verified"], sensor["Remarks"]) == ("yes", "behind the fan")


def test_what_was_not_tested_says_so_and_what_is_not_known_is_empty(bus_list: BusList) -> None:
    meter, _, reserved, _ = records(csv_files.files(bus_list)["bus-list.csv"])
    tested = ("Power cycle verified", "Test polls", "Timeouts", "CRC errors", "Other errors")
    assert {meter[title] for title in tested} == {"not tested"}
    assert (meter["Serial no."], meter["Previous address"], meter["Reply time max ms"]) == (
        "",
        "",
        "",
    )
    assert {reserved[title] for title in tested} == {""}


def test_the_point_list_reads_back_with_both_register_numbers(bus_list: BusList) -> None:
    temperature, hours = records(csv_files.files(bus_list)["point-list.csv"])
    assert (temperature["Register"], temperature["Register hex"]) == ("1", "0x0001")
    assert (temperature["Register in data sheet"], temperature["Data sheet numbering"]) == (
        "30002",
        "reference",
    )
    assert (temperature["Raw hex"], temperature["Value read"]) == ("0xFFCC", "-5.2")
    assert (temperature["Value as text"], temperature["Unit"], temperature["Plausible"]) == (
        "'-5.2 °C",
        "°C",
        "yes",
    )
    assert (hours["Value read"], hours["Raw hex"], hours["Plausible"]) == ("not tested", "", "")


def test_files_are_utf8_with_a_byte_order_mark_and_crlf(bus_list: BusList) -> None:
    for content in csv_files.files(bus_list).values():
        assert content.startswith(b"\xef\xbb\xbf")
        assert content.count(b"\r\n") == content.count(b"\n") > 1


def test_an_empty_list_still_has_its_titles_and_says_that_nothing_was_tested() -> None:
    written = csv_files.files(EMPTY)
    for name in ("bus-list.csv", "point-list.csv", "journal.csv", "caveats.csv"):
        assert len(read(written[name])) == 1
    assert records(written["proof.csv"])[0]["Value"] == "not tested"
    assert records(written["wiring.csv"])[0]["Verdict"] == "not tested"


def test_every_table_is_a_file_of_its_own(bus_list: BusList) -> None:
    written = csv_files.files(bus_list)
    names = (
        "segment",
        "bus-list",
        "found-and-left",
        "addresses",
        "point-list",
        "journal",
        "proof",
        "wiring",
        "acceptance",
        "caveats",
    )
    assert list(written) == [f"{name}.csv" for name in names]
    segment = {row["Item"]: row["Value"] for row in records(written["segment.csv"])}
    assert (
        segment["Site"],
        segment["Survey complete"],
        segment["Stray bytes heard in the survey"],
    ) == (
        "Mill Lane",
        "yes",
        "3",
    )
    (write,) = records(written["journal.csv"])
    assert (write["From address"], write["To address"], write["Request hex"], write["Outcome"]) == (
        "1",
        "12",
        "01 06 01 01 00 0C",
        "verified",
    )
    assert write["Replies hex"] == "01 06 01 01 00 0C"
    assert write["Why"].endswith("verified: 12 answers, 1 is silent")
    caveats = [(row["Kind"], row["What"]) for row in records(written["caveats.csv"])]
    assert caveats == [
        *(("attention", words) for words in bus_list.attention),
        *(("not tested", words) for words in bus_list.not_tested),
    ]


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("+1+1", "'+1+1"),
        ("-1+1", "'-1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("  =1+1", "'  =1+1"),
        ("＝1+1", "'＝1+1"),
        ('"=1+1"', '\'"=1+1"'),
        ("x;=1+1", "x;'=1+1"),
        ("x,;", "x,; "),
        ('x;"y', 'x; "y'),
        ("\t=1", "\\x09=1"),
        ("\r=1", "\\x0d=1"),
        ("-5", "-5"),
        ("-5.25", "-5.25"),
        ("+5", "'+5"),
        ("-", "'-"),
        ("TT-12", "TT-12"),
        ("\x1b[31m", "\\x1b[31m"),
        ("\\x1b[31m", "\\x1b[31m"),
        ("\u202e", "\\u202e"),
        (-5.5, -5.5),
        (None, None),
    ],
)
def test_text_that_could_act_is_made_harmless(cell: Cell, written: Cell) -> None:
    assert csv_files.safe_cell(cell) == written


hostile = st.text(
    alphabet=st.one_of(st.sampled_from("=+-@;,\t\r\n\"' 1\\|＝"), st.characters()), max_size=12
)
NUMBER_OF_ROWS = {"bus-list.csv": 3, "point-list.csv": 1, "journal.csv": 1, "caveats.csv": 2}


@settings(deadline=None, max_examples=150)
@given(hostile, hostile, hostile)
def test_no_cell_of_hostile_text_is_a_formula_or_has_control_codes(
    tag: str, place: str, name: str
) -> None:
    """However it is split: at the comma as written, or at the semicolon as where the decimal sign
    is a comma."""
    for file, content in csv_files.files(saying(tag, place, name)).items():
        if file in NUMBER_OF_ROWS:
            assert len(read(content)) == 1 + NUMBER_OF_ROWS[file], "a line a row"
        assert len({len(row) for row in read(content)}) == 1
        for delimiter in ",;":
            for cell in (cell for row in read(content, delimiter) for cell in row):
                assert not cell.lstrip(' "').startswith(
                    ("=", "+", "-", "@", "＝", "＋", "－", "＠")
                ) or number(cell)
                assert not any(
                    unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp", "Cs") for c in cell
                )


def number(cell: str) -> bool:
    """Whether a spreadsheet takes the cell for a plain negative number."""
    return re.fullmatch(r"-?\d+(\.\d+)?(e[+-]\d+)?", cell, re.ASCII) is not None

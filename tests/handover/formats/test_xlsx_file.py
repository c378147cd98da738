from __future__ import annotations

import html
import io
import re
import zipfile
from dataclasses import replace

from hypothesis import given, settings
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from busprobe.handover.bus_list import BusList
from busprobe.handover.formats import xlsx_file
from busprobe.handover.table import cell_text
from busprobe.handover.tables.papers import book_tables
from tests.handover.hostile import EMPTY, MARKUP, proof_of, saying, texts

SHEETS = [
    "Segment",
    "Units",
    "As found and as left",
    "Addresses",
    "Points",
    "Journal of writes",
    "Proof",
    "Wiring",
    "Acceptance record",
]
SHEETS += ["Attention and not tested", "Polling table", "Polling notes", "Points for the master"]


def opened(bus_list: BusList) -> Workbook:
    (content,) = xlsx_file.files(bus_list).values()
    return load_workbook(io.BytesIO(content))


def rows(sheet: Worksheet) -> list[dict[str, object]]:
    titles, *lines = sheet.iter_rows(values_only=True)
    return [dict(zip(map(str, titles), line, strict=True)) for line in lines]


def test_the_workbook_has_a_sheet_a_table(bus_list: BusList) -> None:
    book = opened(bus_list)
    assert book.sheetnames == SHEETS
    units = rows(book["Units"])
    assert [(row["Address"], row["Address hex"], row["State"]) for row in units] == [
        (5, "0x05", "unit"),
        (12, "0x0C", "unit"),
        (1, "0x01", "reserved"),
        (240, "0xF0", "reserved"),
    ]
    assert book["Journal of writes"].max_row == 2
    caveats = {(row["Kind"], row["What"]) for row in rows(book["Attention and not tested"])}
    assert ("not tested", "The wiring was not measured.") in caveats


def test_numbers_are_numbers_and_digits_that_name_something_stay_text(bus_list: BusList) -> None:
    sensor = rows(opened(bus_list)["Units"])[1]
    assert (sensor["Reply time median ms"], sensor["Gap needed ms"], sensor["Test polls"]) == (
        9.4,
        20,
        100,
    )
    assert sensor["Serial no."] == "00451", "the zeros at its front belong to it"
    temperature, hours = rows(opened(bus_list)["Points"])
    assert (temperature["Value read"], temperature["Raw hex"]) == (-5.2, "0xFFCC")
    assert (hours["Value read"], hours["Raw hex"]) == ("not tested", None)


def test_sheets_are_ready_to_read_and_to_print(bus_list: BusList) -> None:
    for sheet in opened(bus_list):
        assert sheet.freeze_panes == "A2"
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.page_setup.paperSize == 9, "A4, ECMA-376 part 1 section 18.3.1.63, from memory"
        properties = sheet.sheet_properties.pageSetUpPr
        assert properties is not None
        assert properties.fitToPage is True
        assert sheet.page_setup.fitToHeight == 0
        assert sheet.column_dimensions["A"].width >= 6


def test_the_same_list_gives_the_same_workbook(bus_list: BusList) -> None:
    assert opened(bus_list).properties.created == opened(bus_list).properties.created
    assert xlsx_file.files(bus_list) == xlsx_file.files(bus_list)


def test_an_empty_list_makes_a_workbook() -> None:
    assert opened(EMPTY).sheetnames == SHEETS


def headers(bus_list: BusList) -> list[str]:
    """The page headers as they are in the file: openpyxl takes ``&&0``, an ampersand and a digit,
    for a font size."""
    (content,) = xlsx_file.files(bus_list).values()
    with zipfile.ZipFile(io.BytesIO(content)) as book:
        sheets = [
            book.read(name).decode()
            for name in book.namelist()
            if name.startswith("xl/worksheets/sheet")
        ]
    return [
        html.unescape(found[1])
        for sheet in sheets
        if (found := re.search("<oddHeader>(.*?)</oddHeader>", sheet))
    ]


def check_harmless(bus_list: BusList) -> None:
    """Every cell is a number or the very text; nothing is a formula, a link or a macro of a
    header."""
    for table, sheet in zip(book_tables(bus_list), opened(bus_list), strict=True):
        assert sheet.max_row == 1 + len(table.rows)
        for line, row in enumerate(table.rows, start=2):
            for place, cell in enumerate(row, start=1):
                found = sheet.cell(line, place)
                assert found.data_type in ("s", "n")
                assert found.hyperlink is None
                if isinstance(cell, str):
                    assert (found.value or "") == cell_text(cell)
    assert len(headers(bus_list)) == len(book_tables(bus_list))
    for header in headers(bus_list):
        assert header.startswith("&L")
        assert header.replace("&&", "").count("&") == 2, "its own two commands, left and right"


@settings(deadline=None, max_examples=25)
@given(texts, texts, texts)
def test_no_text_becomes_a_formula_a_link_or_a_control_code(
    tag: str, place: str, name: str
) -> None:
    check_harmless(saying(tag, place, name))


def test_texts_that_mean_something_to_a_format_are_only_shown() -> None:
    for text in MARKUP:
        check_harmless(saying(text, text, text))


def test_a_text_longer_than_a_cell_is_cut_and_says_so() -> None:
    """A spreadsheet would call the whole workbook damaged."""
    sheet = opened(replace(EMPTY, attention=("x" * 40_000,)))["Attention and not tested"]
    value = sheet["B2"].value
    assert isinstance(value, str)
    assert value.endswith("… (cut)")
    assert len(value) <= 32_767


def test_the_proof_gives_counts_findings_and_advice_as_numbers() -> None:
    proof = {
        row["What"]: row
        for row in rows(opened(replace(EMPTY, proof=proof_of(12, replies=40)))["Proof"])
    }
    assert proof["Polls of all units listed"]["Value"] == 40
    assert proof["Last run took"]["Value"] == 60
    assert proof["Unit 12 (0x0C) 9600-8N1: 99 of 100 replies begin within"]["Value"] == 12.4
    # Twice the slowest reply and the transfer, but not below 200 ms: busprobe.prove.advice.
    assert proof["Advice for the master: response timeout"]["Value"] == 200

"""Records in a copy of a file, read back with `struct` by offsets that are written here by hand."""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import FileError
from busprobe.handover.custom import records as written
from busprobe.handover.custom.record_layout import load_layout
from busprobe.handover.custom.records import record_file
from busprobe.handover.custom.variables import variables
from tests.handover.site import clean_site

EXAMPLE = Path(written.__file__).parent / "examples/records.toml"

OFFSET, SIZE, CAPACITY = 64, 32, 32
"""Of the example."""


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Any]]:
    with clean_site(tmp_path_factory.mktemp("site")) as session:
        yield variables(session.bus_list())


@pytest.fixture
def original(tmp_path: Path) -> Path:
    path = tmp_path / "list.bin"
    path.write_bytes(os.urandom(OFFSET + CAPACITY * SIZE + 500))
    return path


def layout(folder: Path, text: str) -> Path:
    path = folder / "layout.toml"
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(folder: Path, text: str, into: Path, said: dict[str, Any]) -> list[str]:
    with pytest.raises(FileError) as caught:
        record_file(layout(folder, text), into, said)
    return [re.sub(r" \(line \d+\)", "", str(mistake)) for mistake in caught.value.mistakes]


def test_the_example_is_read_back_by_a_parser_of_its_own(
    said: dict[str, Any], original: Path
) -> None:
    before = original.read_bytes()
    content = record_file(EXAMPLE, original, said).content
    requests = said["requests"]
    assert struct.unpack_from("<H", content, 16) == (len(requests),)
    for index, request in enumerate(requests):
        at = OFFSET + index * SIZE
        mark, unit, function, parity = struct.unpack_from("4B", content, at)
        register, count = struct.unpack_from(">HH", content, at + 4)
        interval, timeout, retries = struct.unpack_from("<IHB", content, at + 8)
        gap = content[at + 15]
        tag = content[at + 16 : at + 28].rstrip(b"\xff").decode()
        (reply,) = struct.unpack_from("<f", content, at + 28)
        assert (mark, parity, gap) == (0xA5, 0, 0xFF)
        assert tag == request["tag"]
        assert (interval, timeout, retries) == (10_000, 1000, 1)
        assert reply == pytest.approx(request["reply_ms"])
        frame = bytes.fromhex(request["request"])
        assert struct.unpack(">BBHH", frame[:6]) == (unit, function, register, count)
    used = OFFSET + len(requests) * SIZE
    assert set(content[used : OFFSET + CAPACITY * SIZE]) == {0xFF}
    assert content[:16] == before[:16]
    assert content[18:OFFSET] == before[18:OFFSET]
    assert content[OFFSET + CAPACITY * SIZE :] == before[OFFSET + CAPACITY * SIZE :]
    assert original.read_bytes() == before


def test_the_check_finds_what_else_changed(
    said: dict[str, Any], original: Path, tmp_path: Path
) -> None:
    made = record_file(EXAMPLE, original, said)
    copy = tmp_path / "copy.bin"
    copy.write_bytes(made.content)
    made.check(copy)
    for at, expected in ((40, "byte 40: 1 bytes beside"), (70, "byte 64: 1: TE-101 request")):
        broken = bytearray(made.content)
        broken[at] ^= 1
        copy.write_bytes(broken)
        with pytest.raises(FileError) as caught:
            made.check(copy)
        assert expected in str(caught.value)
    for shorter in (made.content[:-1], made.content + b"x"):
        copy.write_bytes(shorter)
        with pytest.raises(FileError, match="bytes, and the file has"):
            made.check(copy)
    copy.write_bytes(made.content)
    original.write_bytes(b"other")
    with pytest.raises(FileError, match="has changed meanwhile"):
        made.check(copy)


def test_the_dump_shows_each_byte_with_its_place(said: dict[str, Any], original: Path) -> None:
    made = record_file(EXAMPLE, original, said)
    title, first, second = made.patches[0].dump
    assert title.startswith("1: TE-101 request 0B 04") and title.endswith("byte 64 (0x40)")
    assert first.startswith("  00000040  A5 0B 04 00 00 01 00 02 10 27 00 00 E8 03 01 FF  ")
    unused = (CAPACITY - len(said["requests"])) * SIZE
    [_, repeated] = made.patches[-2].dump
    assert repeated.endswith(f"  {unused} times FF")
    assert second.startswith("  00000050  54 45 2D 31 30 31 FF") and "TE-101......" in second


def test_the_bytes_of_the_copy_are_those_of_the_file_but_for_the_records(
    said: dict[str, Any], original: Path, tmp_path: Path
) -> None:
    text = """
        title = "t"
        records = "points"
        offset = 3
        size = 5
        [[fields]]
        at = 1
        type = "int16"
        constant = -2
    """
    content = record_file(layout(tmp_path, text), original, said).content
    before = original.read_bytes()
    end = 3 + 5 * len(said["points"])
    assert content[3:end] == b"\x00\xff\xfe\x00\x00" * len(said["points"])
    assert content[:3] + content[end:] == before[:3] + before[end:]


COUNT = 'count = {{ at = {}, type = "uint8" }}\n[[fields]]\ntype = "uint8"\nconstant = 1\n'
HEAD = 'title = "t"\nrecords = "points"\noffset = 0\nsize = 8\n'


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD, ["fields: is missing"]),
        (
            HEAD + '[[fields]]\ntype = "uint8"\n',
            ["fields.1.value: and constant: just one of the two is needed"],
        ),
        (
            HEAD + '[[fields]]\ntype = "uint8"\nvalue = "adress"\n',
            ["fields.1.value: 'adress' is no value of a point: number, tag"],
        ),
        (
            HEAD + '[[fields]]\ntype = "text"\nvalue = "tag"\n',
            ["fields.1.length: has to be given for text"],
        ),
        (
            HEAD
            + '[[fields]]\nat = 2\ntype = "uint32"\nvalue = "register"\n'
            + '[[fields]]\nat = 5\ntype = "uint32"\nvalue = "count"\n',
            ["fields.2: overlaps fields.1, which goes to byte 5", "fields.2: ends at byte 9"],
        ),
        (HEAD + COUNT.format(7), ["count.at: lies within the records"]),
        (HEAD + "offset = = 1", ["line 5: is not TOML"]),
        (HEAD + "fields = []", ["fields: has none"]),
        (
            HEAD + COUNT.format(17),
            ["count.at: lies within the records: 3: TE-102 Temperature"],
        ),
        (HEAD + 'wide = 3\n[[fields]]\ntype = "word"\nconstant = 1', ["wide: is not", "fields.1."]),
    ],
)
def test_a_bad_layout_tells_its_mistakes_with_their_places(
    text: str, expected: list[str], tmp_path: Path, original: Path, said: dict[str, Any]
) -> None:
    found = mistakes(tmp_path, text, original, said)
    assert len(found) == len(expected)
    for what, words in zip(found, expected, strict=True):
        assert what.startswith(words), what


@pytest.mark.parametrize(
    ("field", "expected"),
    [
        ('type = "uint8"\nvalue = "timeout_ms"', "timeout_ms 1000 does not fit into uint8"),
        ('type = "uint8"\nvalue = "tag"', "tag is 'TE-101', which is no number"),
        ('type = "uint8"\nvalue = "scale_register"', "scale_register is not known here"),
        ('type = "uint8"\nvalue = "scale"', "scale 0.1 is no whole number"),
        ('type = "text"\nlength = 3\nvalue = "tag"', "'TE-101' takes 6 bytes, more than 3"),
        ('type = "uint8"\nvalue = "parity"\ncodes = { E = 1 }', "parity is 'N', which has no code"),
        ('type = "int8"\nconstant = 200', "constant 200 does not fit into int8"),
        ('type = "float32"\nconstant = 1e300', "constant 1e+300 does not fit into float32"),
    ],
)
def test_a_value_that_does_not_fit_names_its_record_and_field(
    field: str, expected: str, tmp_path: Path, original: Path, said: dict[str, Any]
) -> None:
    found = mistakes(tmp_path, f"{HEAD}[[fields]]\n{field}\n", original, said)
    assert found[0].startswith("fields.1 of 1: TE-101 Temperature: ")
    assert expected in found[0]


def test_what_has_no_room_is_refused(tmp_path: Path, original: Path, said: dict[str, Any]) -> None:
    one = '[[fields]]\ntype = "uint8"\nconstant = 1\n'
    assert mistakes(tmp_path, HEAD + "capacity = 2\n" + one, original, said) == [
        f"capacity: holds 2 records, and there are {len(said['points'])} points"
    ]
    original.write_bytes(bytes(20))
    [beyond] = mistakes(tmp_path, HEAD + one, original, said)
    last = 8 * len(said["points"]) - 1
    assert beyond == f"has 20 bytes, and the records of the layout go to byte {last}"
    [nothing] = mistakes(tmp_path, HEAD + one, original, {**said, "points": []})
    assert nothing == "there are no points to write"


WIDTHS = {"uint8": "B", "int8": "b", "uint16": "H", "int16": "h", "uint32": "I", "int32": "i"}
WIDTHS |= {"uint64": "Q", "int64": "q"}


@given(
    kind=st.sampled_from(sorted(WIDTHS)), order=st.sampled_from(["big", "little"]), data=st.data()
)
def test_every_whole_number_is_the_one_that_struct_reads(
    kind: str, order: str, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    bits = int(kind.lstrip("uint"))
    low, high = (0, 2**bits - 1) if kind[0] == "u" else (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1)
    # TOML takes whole numbers of 64 bits with a sign.
    number = data.draw(st.integers(low, min(high, 2**63 - 1)))
    folder = tmp_path_factory.getbasetemp()
    into = folder / "numbers.bin"
    into.write_bytes(bytes(8))
    text = f'{HEAD}order = "{order}"\n[[fields]]\ntype = "{kind}"\nconstant = {number}\n'
    row = {"number": 1, "tag": "", "address": 1, "point": "p"}
    content = record_file(layout(folder, text), into, {"points": [row]}).content
    sign = ">" if order == "big" else "<"
    assert struct.unpack_from(f"{sign}{WIDTHS[kind]}", content) == (number,)


def test_the_example_is_a_layout() -> None:
    assert load_layout(EXAMPLE).starts == (0, 1, 2, 3, 4, 6, 8, 12, 14, 16, 28)

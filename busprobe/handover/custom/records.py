"""Records of a described layout, written into a copy of a file, and the check that nothing else of
it changed."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from busprobe.errors import FileError, Mistake
from busprobe.files.reading import obstacle, reason
from busprobe.handover.custom.record_layout import (
    KIND,
    LARGEST_FILE,
    FieldType,
    RecordField,
    RecordLayout,
    load_layout,
)
from busprobe.handover.custom.variables import Row

_FLOATS = {FieldType.FLOAT32: "f", FieldType.FLOAT64: "d"}
_ROW = 16
"""Bytes of a line of a dump."""


@dataclass(frozen=True)
class Patch:
    """Bytes for one place of a file."""

    offset: int
    """Byte of the file at which they begin."""
    data: bytes
    what: str
    """What they are, in a few words."""

    @property
    def end(self) -> int:
        """The byte behind them."""
        return self.offset + len(self.data)

    @property
    def dump(self) -> Iterator[str]:
        """The bytes in hex with their place in the file, and as text."""
        yield f"{self.what}, byte {self.offset} (0x{self.offset:X})"
        if len(self.data) > _ROW and len(set(self.data)) == 1:
            yield f"  {self.offset:08X}  {len(self.data)} times {self.data[0]:02X}"
            return
        for start in range(0, len(self.data), _ROW):
            part = self.data[start : start + _ROW]
            text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in part)
            yield f"  {self.offset + start:08X}  {part.hex(' ').upper():<{3 * _ROW - 1}}  {text}"


@dataclass(frozen=True)
class RecordFile:
    """A copy of a file with records in it."""

    source: Path
    original: bytes
    patches: tuple[Patch, ...]

    @property
    def content(self) -> bytes:
        """The bytes of the copy."""
        made = bytearray(self.original)
        for patch in self.patches:
            made[patch.offset : patch.end] = patch.data
        return bytes(made)

    def check(self, copy: Path) -> None:
        """Read the copy back from the disk, and the file that it was made from: raises `FileError`
        where the copy has other records or differs from the file anywhere else, or the file is not
        as it was."""
        written = _bytes_of(copy)
        mistakes = []
        if len(written) != len(self.original):
            what = f"has {len(written)} bytes, and the file has {len(self.original)}"
            mistakes.append(Mistake("", what))
        rest = bytearray(written)
        for patch in self.patches:
            if written[patch.offset : patch.end] != patch.data:
                mistakes.append(Mistake(f"byte {patch.offset}", f"{patch.what} is not as made"))
            rest[patch.offset : patch.end] = self.original[patch.offset : patch.end]
        pairs = enumerate(zip(rest, self.original, strict=False))
        changed = [at for at, (now, before) in pairs if now != before]
        if changed:
            what = f"{len(changed)} bytes beside the records differ from the file"
            mistakes.append(Mistake(f"byte {changed[0]}", what))
        if _bytes_of(self.source) != self.original:
            mistakes.append(Mistake("", f"{self.source} has changed meanwhile"))
        if mistakes:
            raise FileError(
                str(copy), mistakes, kind="copy with records", todo="Delete it and write again."
            )


def record_file(layout_path: Path, into: Path, variables: Mapping[str, Any]) -> RecordFile:
    """A copy of the file at `into` with the records of a layout; nothing is written.

    Raises `FileError` where the layout has mistakes, a value does not fit into its field, or the
    file has no room for the records.
    """
    layout = load_layout(layout_path)
    rows: Sequence[Row] = variables[layout.records]
    mistakes: list[Mistake] = []
    if layout.capacity is not None and len(rows) > layout.capacity:
        what = f"holds {layout.capacity} records, and there are {len(rows)} {layout.records}"
        mistakes.append(Mistake("capacity", what))
    if not rows:
        mistakes.append(Mistake("", f"there are no {layout.records} to write"))
    patches = []
    for index, row in enumerate(rows):
        offset = layout.offset + index * layout.size
        patches.append(Patch(offset, _record(layout, row, mistakes), _named(row)))
    unused = (layout.capacity or len(rows)) - len(rows)
    if unused > 0:
        filling = bytes((layout.padding,)) * (unused * layout.size)
        end = layout.offset + len(rows) * layout.size
        patches.append(Patch(end, filling, f"{unused} records not used"))
    if layout.count is not None and not mistakes:
        field = RecordField(type=layout.count.type, constant=len(rows))
        try:
            patches.append(
                Patch(layout.count.at, _number(field, len(rows), layout.order), "number of records")
            )
        except ValueError as error:
            mistakes.append(Mistake("count", str(error)))
    if mistakes:
        raise FileError(str(layout_path), mistakes, kind=KIND)
    ordered = sorted(patches, key=lambda patch: patch.offset)
    for before, patch in pairwise(ordered):
        if patch.offset < before.end:
            mistakes.append(Mistake("count.at", f"lies within the records: {before.what}"))
    if mistakes:
        raise FileError(str(layout_path), mistakes, kind=KIND)
    original = _bytes_of(into)
    needed = max(patch.end for patch in patches)
    if needed > len(original):
        what = f"has {len(original)} bytes, and the records of the layout go to byte {needed - 1}"
        raise FileError(str(into), [Mistake("", what)], kind="file for records")
    return RecordFile(into, original, tuple(patches))


def _named(row: Row) -> str:
    of = row["point"] if "point" in row else f"request {row['request']}"
    return f"{row['number']}: {row['tag'] or 'unit ' + str(row['address'])} {of}"


def _record(layout: RecordLayout, row: Row, mistakes: list[Mistake]) -> bytes:
    made = bytearray((layout.padding,)) * layout.size
    for number, (start, field) in enumerate(zip(layout.starts, layout.fields, strict=True), 1):
        try:
            data = _field(field, row, layout)
        except ValueError as error:
            where = f"fields.{number} of {_named(row)}"
            mistakes.append(Mistake(where, f"{field.value or 'constant'} {error}"))
        else:
            made[start : start + field.size] = data
    return bytes(made)


def _field(field: RecordField, row: Row, layout: RecordLayout) -> bytes:
    """The bytes of a field; raises `ValueError` with what is wrong with its value."""
    value: Any = field.constant if field.value is None else row[field.value]
    if field.codes:
        if str(value) not in field.codes:
            raise ValueError(f"is '{value}', which has no code")
        value = field.codes[str(value)]
    if value is None or value == "":
        value = field.default if field.default is not None or value is None else value
    if value is None:
        raise ValueError("is not known here; say a default")
    if field.type is FieldType.TEXT:
        return _text(field, value, layout.padding)
    return _number(field, value, field.order or layout.order)


def _text(field: RecordField, value: Any, padding: int) -> bytes:
    text = " | ".join(map(str, value)) if isinstance(value, list) else str(value)
    data = text.encode("utf-8")
    if len(data) > field.size:
        if not field.cut:
            raise ValueError(f"'{text}' takes {len(data)} bytes, more than {field.size}; allow cut")
        data = data[: field.size].decode("utf-8", "ignore").encode("utf-8")
    return data.ljust(field.size, bytes((padding,)))


def _number(field: RecordField, value: Any, order: Literal["big", "little"]) -> bytes:
    try:
        number = float(value) if isinstance(value, str) else value
        number = number * field.multiply if field.multiply != 1 else number
    except (TypeError, ValueError):
        raise ValueError(f"is '{value}', which is no number; say codes for it") from None
    if not field.type.is_whole:
        sign = ">" if order == "big" else "<"
        try:
            return struct.pack(f"{sign}{_FLOATS[field.type]}", number)
        except OverflowError:
            raise ValueError(f"{number:g} does not fit into {field.type}") from None
    if number != round(number):
        raise ValueError(f"{number:g} is no whole number; say multiply, or a float type")
    try:
        return int(number).to_bytes(field.size, order, signed=not field.type.startswith("u"))
    except OverflowError:
        raise ValueError(f"{number:g} does not fit into {field.type}") from None


def _bytes_of(path: Path) -> bytes:
    kind = "file for records"
    if wrong := obstacle(path):
        raise FileError(
            str(path), [Mistake("", wrong)], kind=kind, todo="Check its name, or name another file."
        )
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
    except OSError as error:
        what = f"it cannot be read; {reason(error)}"
        raise FileError(str(path), [Mistake("", what)], kind=kind) from error
    if len(data) > LARGEST_FILE:
        what = f"it is larger than {LARGEST_FILE >> 20} MiB"
        raise FileError(str(path), [Mistake("", what)], kind=kind)
    return data

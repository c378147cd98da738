"""A layout of records of fixed size, described in TOML: what a technician can write there.

The descriptions of the fields are the documentation.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from busprobe.files.toml_file import Found, TomlFile, found_by_pydantic
from busprobe.handover.custom.variables import OF_A_POINT, OF_A_REQUEST, OF_BOTH

KIND = "record layout"
"""What such a file is called in messages."""

LARGEST_FILE = 64 << 20
"""Bytes of a file that records are written into; our choice."""

_Offset = Annotated[int, Field(strict=True, ge=0, lt=LARGEST_FILE)]
_Length = Annotated[int, Field(strict=True, ge=1, le=4096)]
_Constant = int | float | str

_VALUES: Mapping[str, tuple[str, ...]] = {
    "points": (*OF_BOTH, *OF_A_POINT),
    "requests": (*OF_BOTH, *OF_A_REQUEST),
}


class FieldType(StrEnum):
    """How a field is written."""

    UINT8 = "uint8"
    INT8 = "int8"
    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    UINT64 = "uint64"
    INT64 = "int64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    TEXT = "text"

    @property
    def bytes(self) -> int:
        """Bytes that it takes; 0 for text, which states its length."""
        return 0 if self is FieldType.TEXT else int(re.sub(r"\D", "", self)) // 8

    @property
    def is_whole(self) -> bool:
        """Whether it holds a whole number."""
        return self.value.lstrip("u").startswith("int")


class _Part(BaseModel):
    """Unknown fields are mistakes, nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class CountField(_Part):
    """Where the file says how many records are used."""

    at: _Offset = Field(description="Byte of the file.")
    type: Literal[FieldType.UINT8, FieldType.UINT16, FieldType.UINT32] = Field(
        description="uint8, uint16 or uint32."
    )


class RecordField(_Part):
    """One field of a record: a value, or a constant."""

    at: _Offset | None = Field(
        default=None, description="Byte of the record; behind the field before it if left out."
    )
    type: FieldType = Field(
        description="uint8 to uint64, int8 to int64, float32, float64, or text (UTF-8)."
    )
    length: _Length | None = Field(default=None, description="Bytes of a text.")
    order: Literal["big", "little"] | None = Field(
        default=None, description="Byte order, where it is not that of the layout."
    )
    value: str | None = Field(
        default=None, description="Name of the value, as 'busprobe templates' lists them."
    )
    constant: _Constant | None = Field(default=None, description="What stands here always.")
    multiply: Annotated[float, Field(allow_inf_nan=False)] = Field(
        default=1.0, description="What a number is multiplied by before it is written."
    )
    codes: dict[str, int] = Field(default={}, description="Value = the number written for it.")
    default: _Constant | None = Field(
        default=None, description="What is written where the value is not known."
    )
    cut: bool = Field(
        default=False, description="Set true where a text that is too long may lose its end."
    )

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return self.length or self.type.bytes


class RecordLayout(_Part):
    """Records of one size, one after the other in a file that is there."""

    title: str = Field(description="What it is, for people.")
    records: Literal["points", "requests"] = Field(
        description="What a record is: a point, or a request of the polling table."
    )
    offset: _Offset = Field(description="Byte of the file at which the first record begins.")
    size: _Length = Field(description="Bytes of a record.")
    capacity: Annotated[int, Field(strict=True, ge=1, le=65_536)] | None = Field(
        default=None,
        description=(
            "Records that the file has room for; those not used are filled with padding. Left out,"
            " what is behind the last record stays as it is."
        ),
    )
    order: Literal["big", "little"] = Field(
        default="big",
        description="Byte order of numbers: most significant byte first, or last.",
    )
    padding: Annotated[int, Field(strict=True, ge=0, le=0xFF)] = Field(
        default=0,
        description="What stands where no field is, behind a text, and in unused records.",
    )
    count: CountField | None = Field(
        default=None, description="Where the file says how many records are used."
    )
    fields: tuple[RecordField, ...] = Field(description="The fields of a record.")

    @property
    def starts(self) -> tuple[int, ...]:
        """The byte of the record at which each field begins."""
        starts: list[int] = []
        reached = 0
        for field in self.fields:
            starts.append(reached if field.at is None else field.at)
            reached = starts[-1] + field.size
        return tuple(starts)


def load_layout(path: Path) -> RecordLayout:
    """Read a layout; raises `FileError` with all mistakes and their places."""
    file = TomlFile.read(path, kind=KIND)
    try:
        layout = RecordLayout.model_validate(file.data)
    except ValidationError as error:
        raise file.error(found_by_pydantic(error)) from error
    if found := list(_mistakes(layout)):
        raise file.error(found)
    return layout


def _mistakes(layout: RecordLayout) -> Iterator[Found]:
    if not layout.fields:
        yield ("fields",), "has none: a record is made of at least one"
    for index, field in enumerate(layout.fields):
        for name, what in _field_mistakes(field, layout):
            yield ("fields", index, name), what
    yield from _overlaps(layout)
    if layout.count is not None:
        last = layout.count.at + layout.count.type.bytes
        end = layout.offset + layout.size * (layout.capacity or 1)
        if layout.count.at < end and layout.offset < last:
            yield ("count", "at"), "lies within the records"


def _field_mistakes(field: RecordField, layout: RecordLayout) -> Iterator[tuple[str, str]]:
    known = _VALUES[layout.records]
    if (field.value is None) == (field.constant is None):
        yield "value", "and constant: just one of the two is needed"
    elif field.value is not None and field.value not in known:
        what = "point" if layout.records == "points" else "request"
        yield "value", f"'{field.value}' is no value of a {what}: {', '.join(known)}"
    if field.type is FieldType.TEXT and field.length is None:
        yield "length", "has to be given for text"
    elif field.type is not FieldType.TEXT and field.length is not None:
        yield "length", "is only for text"
    if field.codes and field.value is None:
        yield "codes", "are only for a value"
    if field.cut and field.type is not FieldType.TEXT:
        yield "cut", "is only for text"


def _overlaps(layout: RecordLayout) -> Iterator[Found]:
    spans = sorted(
        (start, start + field.size, index)
        for index, (start, field) in enumerate(zip(layout.starts, layout.fields, strict=True))
    )
    for (_, end, before), (start, _, index) in pairwise(spans):
        if start < end:
            yield ("fields", index), f"overlaps fields.{before + 1}, which goes to byte {end - 1}"
    for _, end, index in spans:
        if end > layout.size:
            yield ("fields", index), f"ends at byte {end}, beyond the record of {layout.size}"

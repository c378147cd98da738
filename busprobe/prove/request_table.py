"""A table of requests as CSV: whoever made or edited it, what it asks for is checked and known.

Columns, in any order: ``address``, ``function``, ``register`` (zero-based), ``registers`` and
``every s`` (``once`` for a constant) must be there; ``line settings``, ``tag``, ``point`` or
``points``, ``type``, ``word order``, ``first bit``, ``bits``, ``scale``, ``offset``, ``scale
register``, ``scale register means``, ``unit``, ``codes``, ``no value``, ``timeout ms``,
``retries``, ``gap before ms`` and ``request hex`` may.  The sheets ``master-points.csv`` and
``polling-table.csv`` of the documents are such tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationError

from busprobe.errors import Mistake, UsageError
from busprobe.files.csv_file import CsvFile, CsvRow, checked, plain_cell
from busprobe.job.intervals import parse_interval
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, LAST
from busprobe.modbus.requests import Function, Request, read
from busprobe.profiles.fields import most_at_once
from busprobe.profiles.read_requests import Block
from busprobe.profiles.registers import HIGHEST, Register
from busprobe.profiles.schema import Point, PointType, WordOrder
from busprobe.text import harmless, hex_bytes

TIMEOUT_S = 1.0
"""Response timeout where the table has none: V1.02 section 2.4.1 calls 1 s to several seconds at
9600 baud typical."""

RETRIES = 1
"""Retries where the table has none (common practice)."""

ONCE = "once"

_CODE = re.compile(r"(?:bit )?(\d{1,5}) = ([^|]{1,40})")
_HEX = re.compile(r"0x([0-9A-Fa-f]{1,16})")


@dataclass(frozen=True)
class TablePoint:
    """One value that a request fetches."""

    tag: str
    name: str
    block: Block
    """Its registers."""
    point: Point | None
    """How it is decoded; None where the table does not say."""


@dataclass(frozen=True)
class TableRequest:
    """One request of the table."""

    place: Place
    block: Block
    every_s: float | None
    """Seconds between two; None = asked once."""
    timeout_s: float = TIMEOUT_S
    retries: int = RETRIES
    quiet_s: float = 0.0
    """Silence before it in seconds; 3.5 characters are always kept."""
    points: tuple[TablePoint, ...] = ()

    @property
    def request(self) -> Request:
        """The request itself."""
        function = Function(self.block.function)
        return read(self.place.address, function, self.block.register, self.block.count)


def _number(text: str) -> str | None:
    """Empty is not said; spreadsheets write a decimal comma where semicolons part the cells."""
    return text.strip().replace(",", ".") or None


_Number = Annotated[Annotated[float, Field(allow_inf_nan=False)] | None, BeforeValidator(_number)]
_Milliseconds = Annotated[Annotated[float, Field(ge=0, le=60_000)] | None, BeforeValidator(_number)]
_Bit = Annotated[Annotated[int, Field(ge=0, le=63)] | None, BeforeValidator(_number)]
_Times = Annotated[Annotated[int, Field(ge=0, le=10)] | None, BeforeValidator(_number)]
_Register = Annotated[int, Field(ge=0, le=HIGHEST)]


class _Row(CsvRow):
    address: int = Field(ge=FIRST, le=LAST)
    settings: str = Field(default="", alias="line settings")
    tag: str = ""
    function: int = Field(ge=1, le=4)
    register_: _Register = Field(alias="register")
    registers: int = Field(ge=1)
    every: str = Field(alias="every s")
    point: str = ""
    points: str = ""
    type: str = ""
    order: str = Field(default="", alias="word order")
    first_bit: _Bit = Field(default=None, alias="first bit")
    bits: _Bit = None
    scale: _Number = None
    offset: _Number = None
    scale_register: _Number = Field(default=None, alias="scale register")
    scale_means: str = Field(default="", alias="scale register means")
    unit: str = ""
    codes: str = ""
    no_value: str = Field(default="", alias="no value")
    timeout_ms: _Milliseconds = Field(default=None, alias="timeout ms")
    retries: _Times = None
    gap_ms: _Milliseconds = Field(default=None, alias="gap before ms")
    request: str = Field(default="", alias="request hex")


class _RowError(ValueError):
    """What is wrong in one column of a row."""

    def __init__(self, column: str, what: str) -> None:
        self.column = column
        super().__init__(what)


def load_table(path: Path, settings: LineSettings | None = None) -> tuple[TableRequest, ...]:
    """Read a table; `settings` are those of units for which it has none.

    Rows with the same request hex at the same unit are points of one request.  Raises `FileError`
    with all mistakes, each with its line and column.
    """
    file = CsvFile.read(path, kind="table of requests", row=_Row)
    mistakes: list[Mistake] = []
    found: dict[tuple[Place, str], TableRequest] = {}
    scales: list[TableRequest] = []
    for line, cells in file.rows:
        row = checked(_Row, line, cells, mistakes)
        if row is None:
            continue
        try:
            made = _request(row, settings)
        except _RowError as error:
            mistakes.append(Mistake(f"line {line}, {error.column}", str(error)))
            continue
        key = made.place, row.request or f"line {line}"
        found[key] = _joined(found[key], made) if key in found else made
        scales += _scale_requests(made)
    mistakes += file.mistakes
    if not found and not mistakes:
        mistakes.append(Mistake("", "it has no requests in it"))
    if mistakes:
        raise file.error(mistakes)
    return (*found.values(), *_missing_scales(found.values(), scales))


def _request(row: _Row, settings: LineSettings | None) -> TableRequest:
    place = Place(row.address, _settings(row, settings))
    block = Block(row.function, row.register_, row.registers)
    if block.count > most_at_once(block.function):
        raise _RowError("registers", f"{block.count} in one request, at most {most_at_once(3)}")
    if block.register + block.count - 1 > HIGHEST:
        raise _RowError("registers", f"they go beyond the last register, {HIGHEST}")
    every = None if row.every.strip().lower() == ONCE else _interval(row)
    name = harmless(plain_cell(row.point or row.points)) or f"{block.words}"
    return TableRequest(
        place=place,
        block=_asked(row, block),
        every_s=every,
        timeout_s=TIMEOUT_S if row.timeout_ms is None else row.timeout_ms / 1000,
        retries=RETRIES if row.retries is None else row.retries,
        quiet_s=(row.gap_ms or 0.0) / 1000,
        points=(TablePoint(harmless(plain_cell(row.tag)), name, block, _point(row, name, block)),),
    )


def _settings(row: _Row, usual: LineSettings | None) -> LineSettings:
    if not row.settings:
        if usual is None:
            raise _RowError("line settings", "are missing; write them, or say them with --settings")
        return usual
    try:
        return LineSettings.parse(row.settings)
    except UsageError as error:
        raise _RowError("line settings", str(error)) from None


def _interval(row: _Row) -> float:
    try:
        return parse_interval(row.every)
    except UsageError as error:
        raise _RowError("every s", f"{error} Write '{ONCE}' for a constant.") from None


def _asked(row: _Row, block: Block) -> Block:
    """The registers of the request in hex, where the row has one; else those of the row."""
    if not row.request.strip():
        return block
    try:
        frame = bytes.fromhex(row.request)
    except ValueError:
        raise _RowError("request hex", "is not a frame in hex") from None
    first, count = int.from_bytes(frame[2:4], "big"), int.from_bytes(frame[4:6], "big")
    asked = Block(row.function, first, count)
    right = None
    if 1 <= count <= most_at_once(row.function):
        right = read(row.address, Function(row.function), first, count).frame
    if frame != right:
        own = read(row.address, Function(row.function), block.register, block.count).frame
        raise _RowError(
            "request hex",
            f"is no request by function {row.function} to unit {row.address} with a valid CRC; the"
            f" row alone would be {hex_bytes(own)}, or leave it empty",
        )
    if not set(block.keys) <= set(asked.keys):
        raise _RowError(
            "register", f"{block.words} is not within the request, {asked.words}; correct one"
        )
    return asked


def _point(row: _Row, name: str, block: Block) -> Point | None:
    if not row.type:
        return None
    if row.type not in list(PointType):
        raise _RowError("type", f"'{row.type}' is none of {', '.join(PointType)}")
    if (row.order or WordOrder.ABCD) not in list(WordOrder):
        raise _RowError("word order", f"'{row.order}' is none of {', '.join(WordOrder)}")
    kind, order = PointType(row.type), WordOrder(row.order or WordOrder.ABCD)
    names = {int(code): what.strip() for code, what in _CODE.findall(row.codes)}
    fields: dict[str, Any] = {
        "name": name[:40],
        "function": row.function,
        "register": Register(block.register, block.register),
        "type": kind,
        "length": block.count if kind.has_length else None,
        "order": order,
        "first_bit": row.first_bit,
        "bit_count": row.bits,
        "unit": row.unit[:12],
        "names": names if not kind.is_number else {},
        "no_value": tuple(int(code, 16) for code in _HEX.findall(row.no_value)),
    }
    if kind.is_number:
        fields |= {"scale": row.scale or 1.0, "offset": row.offset or 0.0}
    if row.scale_register is not None:
        at = int(row.scale_register)
        fields["scale_register"] = {"register": Register(at, at), "means": row.scale_means}
    try:
        point = Point.model_validate(fields)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise _RowError(".".join(map(str, first["loc"])), first["msg"]) from None
    if point.count != block.count:
        raise _RowError("registers", f"{kind} takes {point.count}, not {block.count}")
    return point


def _joined(one: TableRequest, more: TableRequest) -> TableRequest:
    """Both as one request: as often as the more urgent of the two asks for."""
    intervals = [every for every in (one.every_s, more.every_s) if every is not None]
    return replace(
        one,
        every_s=min(intervals, default=None),
        timeout_s=max(one.timeout_s, more.timeout_s),
        retries=max(one.retries, more.retries),
        quiet_s=max(one.quiet_s, more.quiet_s),
        points=one.points + more.points,
    )


def _scale_requests(made: TableRequest) -> Iterator[TableRequest]:
    """A request for the register of the scale of each point that has one."""
    for point in made.points:
        if point.point is not None and point.point.scale_register is not None:
            at = point.point.scale_register.at.wire
            yield replace(made, block=Block(made.block.function, at, 1), points=())


def _missing_scales(
    there: Iterable[TableRequest], scales: Iterable[TableRequest]
) -> Iterator[TableRequest]:
    """Those of `scales` whose register none of the other requests reads, each once."""
    known = {(one.place, key) for one in there for key in one.block.keys}
    for scale in scales:
        [key] = scale.block.keys
        if (scale.place, key) not in known:
            known.add((scale.place, key))
            yield scale

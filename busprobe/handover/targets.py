"""Where a master keeps each point: read from a list, proposed by a rule, and what of it does not
fit together.

A list has a row a point, by the columns ``tag`` or ``address`` (and ``line settings`` where one
address is used at two), ``point``, ``master variable`` and ``master address``; the sheet
``master-points.csv`` of the documents is such a list.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from pydantic import Field

from busprobe.errors import Mistake
from busprobe.files.csv_file import CsvFile, CsvRow, checked, plain_cell
from busprobe.handover.bus_list import PointRow
from busprobe.job.records import Target, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms
from busprobe.text import harmless

LONGEST = 100
"""Characters of a variable, and of an address."""

_NO_NAME = re.compile(r"\W+", re.ASCII)
_NAMED = 5
"""Points that a sentence names."""

Targets = Mapping[tuple[Place, str], Target]
"""Place of a unit and name of its point to where the master keeps it."""


class Order(StrEnum):
    """In which order a rule goes through the points."""

    LIST = "list"
    """As on the list: along the cable, each unit's points as its profile has them."""
    ADDRESS = "address"
    """By unit address."""
    TAG = "tag"
    POINT = "point"
    """The same point of all units together."""


@dataclass(frozen=True)
class Rule:
    """How addresses are proposed."""

    start: int
    """The first address."""
    step: int | None = None
    """From one to the next; `None` = as many as the point takes registers, so that all lie side by
    side."""
    order: Order = Order.LIST
    anew: bool = False
    """Whether points that have an address get a new one."""


def proposed(points: Iterable[PointRow], rule: Rule) -> Targets:
    """An address for each point that has none, and a variable where none is noted."""
    made = {}
    address = rule.start
    for point in _in_order(points, rule.order):
        if point.target.address and not rule.anew:
            continue
        variable = point.target.variable or _variable(point)
        made[point.place, point.name] = Target(variable, str(address))
        address += point.count if rule.step is None else rule.step
    return made


def _in_order(points: Iterable[PointRow], order: Order) -> Sequence[PointRow]:
    listed = list(points)
    names = list(dict.fromkeys(point.name for point in listed))
    match order:
        case Order.LIST:
            return listed
        case Order.ADDRESS:
            return sorted(listed, key=lambda point: point.place)
        case Order.TAG:
            return sorted(listed, key=lambda point: (point.tag, point.place))
        case Order.POINT:
            return sorted(listed, key=lambda point: names.index(point.name))


def _variable(point: PointRow) -> str:
    """Letters, digits and underscores, as most languages of controllers allow (common practice)."""
    return _NO_NAME.sub("_", f"{point.tag or f'U{point.address}'} {point.name}").strip("_")


class ProblemKind(StrEnum):
    """What does not fit together."""

    OVERLAP = "overlap"
    GAP = "gap"
    TWICE = "twice"
    MISSING = "missing"


@dataclass(frozen=True)
class Problem:
    """Something to look at in the master's addresses."""

    kind: ProblemKind
    words: str
    first: int | None = None
    """The first and the last address that it is about, where they are numbers."""
    last: int | None = None


def problems(points: Iterable[PointRow]) -> tuple[Problem, ...]:
    """What overlaps, what is free in between, what is given twice, and which points have no
    address.

    A point takes as many of the master's addresses as it takes registers, coils or inputs.
    """
    listed = tuple(points)
    if not any(point.target.address for point in listed):
        return ()
    return (*_among_numbers(listed), *_twice(listed), *_missing(listed))


def _among_numbers(points: Sequence[PointRow]) -> Iterator[Problem]:
    numbered = sorted(
        ((number, point) for point in points if (number := point.target.number) is not None),
        key=lambda one: one[0],
    )
    reached, longest = -1, None
    for number, point in numbered:
        last = number + point.count - 1
        if longest is not None and number <= reached:
            words = f"{_named(longest)} and {_named(point)} overlap."
            end = min(reached, last)
            yield Problem(ProblemKind.OVERLAP, f"{_span(number, end)}: {words}", number, end)
        elif longest is not None and number > reached + 1:
            free = _span(reached + 1, number - 1)
            are = "is" if number == reached + 2 else "are"
            words = f"{free} {are} free, before {_named(point)}."
            yield Problem(ProblemKind.GAP, words, reached + 1, number - 1)
        if last >= reached:
            reached, longest = last, point


def _twice(points: Sequence[PointRow]) -> Iterator[Problem]:
    for of in ("address", "variable"):
        users: dict[str, list[PointRow]] = {}
        for point in points:
            said = getattr(point.target, of)
            if said and (of == "variable" or point.target.number is None):
                users.setdefault(said, []).append(point)
        for said, together in users.items():
            if len(together) > 1:
                names = " and ".join(_named(point) for point in together[:_NAMED])
                yield Problem(ProblemKind.TWICE, f"{said} is given to {names}.")


def _missing(points: Sequence[PointRow]) -> Iterator[Problem]:
    left = [_named(point) for point in points if not point.target.address]
    if left:
        more = f" and {len(left) - _NAMED} more" if len(left) > _NAMED else ""
        words = f"No address yet: {', '.join(left[:_NAMED])}{more}."
        yield Problem(ProblemKind.MISSING, words)


def _named(point: PointRow) -> str:
    return f"{point.tag or both_forms(point.address)} {point.name}"


def _span(first: int, last: int) -> str:
    return str(first) if first == last else f"{first} to {last}"


class _Row(CsvRow):
    tag: str = ""
    address: str = ""
    settings: str = Field(default="", alias="line settings")
    point: str = Field(min_length=1)
    variable: str = Field(default="", alias="master variable", max_length=LONGEST)
    target: str = Field(default="", alias="master address", max_length=LONGEST)


def load_targets(path: Path, points: Sequence[PointRow]) -> Targets:
    """Read where the master keeps `points`; columns that are not in the file leave theirs as it
    was.

    Raises `FileError` with all mistakes, each with its line and column.
    """
    file = CsvFile.read(path, kind="list of the master's addresses", row=_Row)
    mistakes: list[Mistake] = []
    found: dict[tuple[Place, str], Target] = {}
    for line, cells in file.rows:
        row = checked(_Row, line, cells, mistakes)
        point = None if row is None else _meant(row, line, points, mistakes)
        if row is None or point is None:
            continue
        key = point.place, point.name
        if key in found:
            what = f"'{harmless(point.name)}' of unit {point.address} comes twice"
            mistakes.append(Mistake(f"line {line}, point", what))
        said = {
            field: harmless(plain_cell(getattr(row, given)))
            for field, given in (("variable", "variable"), ("address", "target"))
            if given in row.model_fields_set
        }
        found[key] = replace(point.target, **said)
    mistakes += file.mistakes
    if not found and not mistakes:
        mistakes.append(Mistake("", "it has no points in it"))
    if mistakes:
        raise file.error(mistakes)
    return found


def _meant(
    row: _Row, line: int, points: Sequence[PointRow], mistakes: list[Mistake]
) -> PointRow | None:
    """The point that a row is about."""
    tag, address, name = plain_cell(row.tag), row.address, plain_cell(row.point)
    of_unit = [
        point
        for point in points
        if (address or tag)
        and (not address or str(point.address) == address)
        and (not row.settings or point.settings == row.settings)
        and (address or harmless(point.tag) == tag)
    ]
    if not of_unit:
        if address:
            shown = both_forms(int(address)) if address.isdecimal() else harmless(address)
            where, what = "address", f"no unit is listed at {shown}"
        elif tag:
            where, what = "tag", f"no unit on the list has the tag '{harmless(tag)}'"
        else:
            where, what = "tag", "a tag or an address is needed"
    elif len({point.place for point in of_unit}) > 1:
        where, what = "tag", "several units fit: name the address and the line settings too"
    else:
        meant = [point for point in of_unit if harmless(point.name) == name]
        if meant:
            return meant[0]
        known = ", ".join(point.name for point in of_unit)
        where, what = "point", f"'{harmless(name)}' is no point of this unit: {known}"
    mistakes.append(Mistake(f"line {line}, {where}", what))
    return None


def with_targets(unit: UnitRecord, targets: Targets) -> UnitRecord:
    """The unit's entry with these of its points kept there."""
    own = {name: target for (place, name), target in targets.items() if place == unit.place}
    return replace(unit, targets={**unit.targets, **own}) if own else unit

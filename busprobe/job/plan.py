"""The plan of the bus: which unit should be where, as a CSV file somebody made in a spreadsheet.

Columns, in any order, named in the first row: ``tag``, ``location``, ``profile``, ``address``,
``settings``, ``position``, ``distance``, ``terminator``, ``serial``.  Only ``tag`` and ``address``
must be there and filled in.  Cable order is the order of the rows, unless each has a ``position``;
``distance`` is metres of cable from the master, ``terminator`` says ``yes`` where one is to be
fitted at the unit and ``no`` where none is, and ``serial`` is the serial number of the unit.

What a plan says is planned, and stays so until a person confirms it on site.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from busprobe.errors import Mistake
from busprobe.files.csv_file import CsvFile, CsvRow, YesNo, checked
from busprobe.files.documents import to_document
from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import FIRST, LAST, both_forms
from busprobe.text import visible

_KEY = "plan"


@dataclass(frozen=True)
class PlannedUnit:
    """One row of the plan."""

    tag: str
    address: int
    """The unit address it is to have."""
    location: str = ""
    profile: str = ""
    """Id of its device type; empty where the plan leaves it open."""
    settings: LineSettings | None = None
    """The line settings it is to have; None where the plan leaves them open."""
    position: int | None = None
    """Place along the cable, from 1: as given, else the row's number."""
    distance_m: float | None = None
    """Metres of cable from the master; None where the plan does not say."""
    terminator: bool | None = None
    """Whether a terminator is to be fitted at this unit; None where the plan does not say."""
    serial: str = ""
    """Serial number of the unit; empty where the plan does not say."""

    def unconfirmed(self, unit: UnitRecord) -> dict[str, Any]:
        """What the plan says of the place of `unit` and nobody has noted there, by the names that a
        unit's entry has for it."""
        said = {name: getattr(self, name) for name in OF_PLACE if _open(getattr(unit, name))}
        return {name: value for name, value in said.items() if not _open(value)}


OF_PLACE = tuple(
    name
    for name in (each.name for each in fields(PlannedUnit))
    if name in {each.name for each in fields(UnitRecord)} and name != "profile"
)
"""What a plan says of the place of a unit, by the names that a unit's entry has for it; what a unit
is, a plan does not decide."""


def _open(value: object) -> bool:
    return value in ("", None)


def _typed(text: str) -> str | None:
    """Empty is not noted; spreadsheets write a decimal comma where semicolons part the cells."""
    return text.strip().replace(",", ".") or None


_Text = Annotated[str, AfterValidator(visible)]
_Typed = BeforeValidator(_typed)


class _Row(CsvRow):
    """A `PlannedUnit` as its columns say it."""

    tag: Annotated[_Text, Field(min_length=1)]
    location: _Text = ""
    profile: _Text = ""
    address: int = Field(ge=FIRST, le=LAST)
    settings: Annotated[LineSettings | None, _Typed] = None
    position: Annotated[int | None, Field(ge=1), _Typed] = None
    distance_m: Annotated[float | None, Field(ge=0, allow_inf_nan=False), _Typed] = Field(
        default=None, alias="distance"
    )
    terminator: YesNo = None
    serial: _Text = ""


def keep_plan(job: Job, plan: Sequence[PlannedUnit]) -> None:
    """Keep the plan with the job, so that every later step compares with it."""
    job.set_state(_KEY, [to_document(unit) for unit in plan])


def kept_plan(job: Job) -> tuple[PlannedUnit, ...]:
    """The plan kept with the job; empty where there is none."""
    return job.state(_KEY, tuple[PlannedUnit, ...]) or ()


def planned_at(plan: Sequence[PlannedUnit], address: int) -> PlannedUnit | None:
    """What the plan says of an address."""
    return next((unit for unit in plan if unit.address == address), None)


def confirmed(unit: UnitRecord, planned: PlannedUnit | None, *, moment: str, by: str) -> UnitRecord:
    """The entry of a unit of which a person says that its place is as planned."""
    said = {} if planned is None else planned.unconfirmed(unit)
    return replace(unit, **said, confirmed=moment, confirmed_by=by)


def differences(plan: Sequence[PlannedUnit], units: Sequence[UnitRecord]) -> tuple[str, ...]:
    """What the plan and the as-built list do not agree on, one sentence each; nothing without a
    plan."""
    if not plan:
        return ()
    found = {unit.address: unit for unit in units}
    planned = {unit.address for unit in plan}
    words = []
    for wanted in plan:
        at = f"{wanted.tag} at {both_forms(wanted.address)}"
        unit = found.get(wanted.address)
        if unit is None:
            words.append(f"Planned and not found: {at}.")
        elif wanted.settings is not None and unit.settings != wanted.settings:
            words.append(
                f"{at} is planned with {wanted.settings} and was found at {unit.settings}."
            )
        elif wanted.profile and unit.profile is not None and unit.profile != wanted.profile:
            words.append(
                f"{at} is planned as {wanted.profile}, and a {unit.profile} answers there."
            )
        elif wanted.serial and unit.serial not in ("", wanted.serial):
            words.append(
                f"{at} is planned with the serial number {wanted.serial}, and {unit.serial} answers"
                " there."
            )
        elif unit.tag not in ("", wanted.tag):
            words.append(f"{at} has the tag {unit.tag} on site.")
    words += [
        f"Found and not planned: unit {both_forms(unit.address)}."
        for unit in units
        if unit.address not in planned
    ]
    return tuple(words)


def load_plan(path: Path) -> tuple[PlannedUnit, ...]:
    """Read a plan; raises `FileError` with all mistakes, each with its line and column."""
    file = CsvFile.read(path, kind="plan", row=_Row)
    mistakes: list[Mistake] = []
    units: list[PlannedUnit] = []
    first: dict[tuple[str, object], str] = {}
    for line, cells in file.rows:
        entry = checked(_Row, line, cells, mistakes)
        if entry is not None:
            units.append(PlannedUnit(**dict(entry)))
            mistakes += _taken(units[-1], line, first)
    mistakes += file.mistakes
    if not units and not mistakes:
        mistakes.append(Mistake("", "it has no units in it"))
    if not any(unit.position for unit in units):
        units = [replace(unit, position=n) for n, unit in enumerate(units, start=1)]
    mistakes += _along_the_cable(units)
    if mistakes:
        raise file.error(mistakes)
    return tuple(units)


def _taken(
    entry: PlannedUnit, line: int, first: dict[tuple[str, object], str]
) -> Iterator[Mistake]:
    """What of the entry an earlier one has already; `first` keeps whose each place, address and tag
    is."""
    wanted: dict[tuple[str, object], str] = {
        ("position", entry.position): f"{entry.position} is {{}}'s place already",
        ("address", entry.address): f"{entry.address} is taken by {{}} already",
        ("tag", entry.tag): "'{}' is used twice",
        ("serial", entry.serial or None): f"'{entry.serial}' is the one of {{}} already",
    }
    for key, what in wanted.items():
        column, value = key
        if value is not None and key in first:
            yield Mistake(f"line {line}, {column}", what.format(first[key]))
        first.setdefault(key, entry.tag)


def _along_the_cable(units: Sequence[PlannedUnit]) -> Iterator[Mistake]:
    """Places are given in every row or in none, and who is farther along the cable is not nearer to
    the master."""
    for unit in units:
        if not unit.position:
            yield Mistake(
                "position", f"{unit.tag} has none, others have: give it in every row, or in none"
            )
    known = sorted(
        (unit for unit in units if unit.distance_m is not None), key=lambda unit: unit.position or 0
    )
    for near, far in pairwise(known):
        if (
            near.distance_m is not None
            and far.distance_m is not None
            and far.distance_m < near.distance_m
        ):
            what = (
                f"{far.tag} comes after {near.tag}, but is {far.distance_m:g} m from the master and"
                " that one"
            )
            yield Mistake("distance", f"{what} {near.distance_m:g} m")

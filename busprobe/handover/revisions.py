"""Revisions of the handover documents: kept in the job, each with what is not as it was in the one
before."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from busprobe.files.documents import to_document
from busprobe.handover.bus_list import WHERE, WHO, BusList, Revision, UnitRow
from busprobe.handover.table import columns_of, noted
from busprobe.job.job import Job

_KEY = "handover.revisions"

_NOT_COMPARED = {"No.", "Plan", "Address", "Address hex", "Confirmed on site UTC", "Confirmed by"}
"""Columns that say who a row is, or how it is known: another revision is not made for these."""

_COMPARED = tuple(
    each
    for each in columns_of(UnitRow)
    if {WHO, WHERE} & {*each.parts} and each.title not in _NOT_COMPARED
)

_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True)
class _Kept:
    """A revision as the job keeps it: with the list that it told."""

    revision: Revision
    units: Mapping[str, Mapping[str, str]]
    """Place of a unit to its cells by the titles of their columns."""


def revised(bus_list: BusList, job: Job) -> BusList:
    """The list with its revisions: as they were handed over, and one more where it is not as it was
    then; raises `FileError`."""
    return replace(bus_list, revisions=tuple(each.revision for each in _all(bus_list, job)))


def keep_revisions(bus_list: BusList, job: Job) -> None:
    """Note in the job that the list was handed over as it is."""
    job.set_state(_KEY, [to_document(each) for each in _all(bus_list, job)])


def _all(bus_list: BusList, job: Job) -> tuple[_Kept, ...]:
    kept = job.state(_KEY, tuple[_Kept, ...]) or ()
    now = {str(unit.place): _told(unit) for unit in bus_list.units if unit.found}
    if kept and kept[-1].units == now:
        return kept
    segment = bus_list.segment
    changed = tuple(_changes(kept[-1].units, now)) if kept else ("First issue.",)
    new = Revision(
        _letters(len(kept)), segment.made, segment.tester, noted(segment.reason), changed
    )
    return (*kept, _Kept(new, now))


def _told(unit: UnitRow) -> dict[str, str]:
    cells = ((each.title, each.content(unit)) for each in _COMPARED)
    return {title: str(cell) for title, cell in cells if cell not in (None, "")}


def _changes(
    before: Mapping[str, Mapping[str, str]], now: Mapping[str, Mapping[str, str]]
) -> Iterator[str]:
    for place, cells in now.items():
        if place not in before:
            yield f"{place} added"
            continue
        then = before[place]
        titles = dict.fromkeys((*then, *cells))
        off = [title for title in titles if then.get(title) != cells.get(title)]
        if off:
            told = (f"{t}: {then.get(t, 'none')} to {cells.get(t, 'none')}" for t in off)
            yield f"{place} {'; '.join(told)}"
    yield from (f"{place} removed" for place in before if place not in now)


def _letters(number: int) -> str:
    """A, B, ... Z, AA, AB and so on."""
    letters = ""
    while number >= 0:
        number, rest = divmod(number, len(_LETTERS))
        letters, number = _LETTERS[rest] + letters, number - 1
    return letters

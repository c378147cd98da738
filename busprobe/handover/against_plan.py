"""How a row of the bus list stands to the plan of the bus: as planned, not so, or not yet complete.

A row is as planned only by what was seen: one unit answers at the planned address and line
settings, its type is identified, and a person has confirmed its tag on site.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from busprobe.handover.bus_list import PlanGap, UnitRow
from busprobe.handover.table import yes_no
from busprobe.job.plan import PlannedUnit, planned_at
from busprobe.job.records import EntryKind
from busprobe.profiles.matching import RECOGNISED


def against(row: UnitRow, plan: Sequence[PlannedUnit]) -> UnitRow:
    """The row with how it stands to the plan."""
    if not plan:
        return row
    wanted = planned_at(plan, row.address)
    if wanted is None:
        return replace(row, plan="not planned", as_planned=False)
    if off := [*_not_so(row, wanted)]:
        return replace(row, plan=f"planned with {', '.join(off)}", as_planned=False)
    if gaps := (*_gaps(row, wanted),):
        return replace(row, plan=f"not complete: {', '.join(gaps)}", plan_gaps=gaps)
    return replace(row, plan="as planned", as_planned=True)


def _not_so(row: UnitRow, wanted: PlannedUnit) -> Iterator[str]:
    """What the plan says and was seen to be otherwise."""
    if wanted.settings is not None and row.settings != str(wanted.settings):
        yield str(wanted.settings)
    if wanted.profile and row.profile is not None and row.profile != wanted.profile:
        yield f"type {wanted.profile}"
    if wanted.serial and row.serial not in ("", wanted.serial):
        yield f"serial number {wanted.serial}"
    for name, words in (("tag", "tag"), ("position", "place"), ("terminator", "terminator")):
        said, seen = getattr(wanted, name), getattr(row, name)
        if name not in row.planned and said not in ("", None) and seen not in ("", None, said):
            yield f"{words} {yes_no(said) if isinstance(said, bool) else said}"


def _gaps(row: UnitRow, wanted: PlannedUnit) -> Iterator[PlanGap]:
    if row.state is not EntryKind.UNIT:
        yield PlanGap.ALONE
        return
    recognised = row.profile is not None and (row.match is None or row.match >= RECOGNISED)
    if not (recognised if wanted.profile else row.maker or row.model):
        yield PlanGap.TYPE
    if "tag" in row.planned or not row.tag:
        yield PlanGap.TAG

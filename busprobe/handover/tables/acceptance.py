"""The acceptance record: each check with its method, its limit, what was measured, and pass, fail
or not tested.

The rows are those of specifications and manuals (common practice).  A check passes only by what was
seen; where it was seen at some units and not at others, it is not tested as a whole, and says of
whom.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from busprobe.handover.bus_list import BusList, PlanGap, UnitRow
from busprobe.handover.table import NOT_TESTED, Cell, Table
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.job.records import EntryKind
from busprobe.modbus.addresses import format_addresses
from busprobe.prove.judgement import RunVerdict, judged, worst_unit
from busprobe.wiring.meter import Level, Measurement

PASS, FAIL, NOTED, NOT_COMPLETE = "pass", "fail", "noted", "not complete"
_MINUTE = 60
"""Seconds."""

COLUMNS = ("Check", "Method", "Limit", "Measured", "Result")


@dataclass(frozen=True)
class _Check:
    check: str
    method: str
    limit: str
    measured: str
    result: str


def acceptance_table(bus_list: BusList) -> Table:
    """Every check, also those that nobody made."""
    rows: list[tuple[Cell, ...]] = [
        (one.check, one.method, one.limit, one.measured, one.result) for one in _checks(bus_list)
    ]
    return Table("acceptance", "Acceptance record", COLUMNS, tuple(rows))


def _checks(bus_list: BusList) -> Iterator[_Check]:
    found = [unit for unit in bus_list.units if unit.found]
    alone = [unit for unit in found if unit.state is EntryKind.UNIT]
    yield from _wiring(bus_list)
    yield _survey(bus_list, found)
    yield _plan(bus_list)
    same = len(bus_list.segment.settings) == 1
    yield _Check(
        *(
            "Line settings agree on all units",
            "survey",
            "one line setting",
            ", ".join(bus_list.segment.settings),
        ),
        result=NOT_TESTED if not found else PASS if same else FAIL,
    )
    yield _of_all(
        "Every unit is identified",
        "its own word, its profile, or read off",
        "maker or model",
        alone,
        _known,
    )
    sample = "a request and its reply, see the units"
    yield _of_all(
        "Raw bytes of one exchange are kept",
        "identification",
        sample,
        alone,
        lambda u: True if u.sample else None,
    )
    yield _values(bus_list, alone)
    yield _references(bus_list)
    yield from _directions(bus_list)
    yield _endurance(bus_list, alone)
    yield _cycle_of_power(alone)
    yield _of_all(
        "Tags and places confirmed on site",
        "seen by the tester",
        "every unit",
        alone,
        lambda unit: True if unit.confirmed and not unit.planned else None,
    )
    yield _of_all(
        "Labels fitted", "seen by the tester", "every unit", alone, lambda unit: unit.label_fitted
    )


def _wiring(bus_list: BusList) -> Iterator[_Check]:
    judged = {each.measurement: each for each in bus_list.segment.wiring_record.judgements}
    for kind in Measurement:
        one = judged.get(kind)
        if one is None:
            yield _Check(str(kind), "multimeter", "", "", NOT_TESTED)
        else:
            result = PASS if one.level is Level.GOOD else FAIL
            yield _Check(str(kind), "multimeter", one.limits, one.reading, result)


def _survey(bus_list: BusList, found: Sequence[UnitRow]) -> _Check:
    survey = bus_list.segment.survey
    odd = [unit.address for unit in found if unit.state is not EntryKind.UNIT]
    twice = {
        unit.address for unit in found if sum(other.address == unit.address for other in found) > 1
    }
    unclear = format_addresses({*odd, *twice})
    asked = f"addresses {survey.addresses} at {', '.join(survey.settings)}" if survey else ""
    complete = survey is not None and survey.complete
    return _Check(
        "Each address is one unit's",
        f"survey of {asked}" if asked else "survey",
        "no clash, no unclear address",
        f"not so at {unclear}" if unclear else "no clash seen" if complete else "",
        FAIL if unclear else PASS if complete else NOT_TESTED,
    )


def _plan(bus_list: BusList) -> _Check:
    """Passes only where each unit was seen to be what and where it is planned."""
    rows = [unit for unit in bus_list.units if unit.as_planned is not None or unit.plan_gaps]
    good = [unit for unit in rows if unit.as_planned]
    off = format_addresses(unit.address for unit in rows if unit.as_planned is False)
    words = [f"{len(good)} as planned"] if good else []
    words += [f"not so at {off}"] if off else []
    for gap in PlanGap:
        concerned = format_addresses(unit.address for unit in rows if gap in unit.plan_gaps)
        words += [f"{gap} at {concerned}"] if concerned else []
    if not rows:
        result = NOT_TESTED
    else:
        result = FAIL if off else PASS if len(good) == len(rows) else NOT_COMPLETE
    return _Check(
        "Units are as planned",
        "plan of the bus compared with the list",
        "every one: address, line settings, type identified, tag confirmed",
        "; ".join(words),
        result,
    )


def _of_all(
    check: str,
    method: str,
    limit: str,
    units: Sequence[UnitRow],
    holds: Callable[[UnitRow], bool | None],
) -> _Check:
    """A check that is made unit by unit."""
    wrong = [unit.address for unit in units if holds(unit) is False]
    open_ = [unit.address for unit in units if holds(unit) is None]
    words = [f"not at {format_addresses(wrong)}"] if wrong else []
    words += [f"not tested at {format_addresses(open_)}"] if open_ else []
    result = FAIL if wrong else NOT_TESTED if open_ or not units else PASS
    return _Check(
        check, method, limit, "; ".join(words) or (f"{len(units)} units" if units else ""), result
    )


def _known(unit: UnitRow) -> bool | None:
    return True if unit.maker or unit.model else None


def _values(bus_list: BusList, units: Sequence[UnitRow]) -> _Check:
    def plausible(unit: UnitRow) -> bool | None:
        points = [p for p in bus_list.points if p.place == unit.place]
        if any(point.plausible is False for point in points):
            return False
        return None if not points or any(point.registers is None for point in points) else True

    limit = "in the plausible range, where there is one"
    return _of_all("Every value is read", "points of the profile", limit, units, plausible)


def _references(bus_list: BusList) -> _Check:
    """Where a profile states no tolerance, how far apart two values may be is for the reader of the
    points to judge."""
    read = [point for point in bus_list.points if point.registers is not None]
    noted = [point for point in read if point.reference]
    judged = [point for point in noted if point.within_tolerance is not None]
    off = [point for point in judged if not point.within_tolerance]
    words = [f"{len(noted)} of {len(read)} values noted"] if noted else []
    words += [f"{len(off)} beyond tolerance"] if off else []
    words += (
        [f"{len(noted) - len(judged)} without a tolerance to judge by"]
        if len(judged) < len(noted)
        else []
    )
    if off:
        result = FAIL
    elif not noted or len(noted) < len(read):
        result = NOT_TESTED
    else:
        result = PASS if len(judged) == len(noted) else NOTED
    return _Check(
        "Values held against a display or a reference",
        "read off at the unit",
        "the tolerance in the profile; else for the reader to judge, see the points",
        "; ".join(words),
        result,
    )


def _directions(bus_list: BusList) -> Iterator[_Check]:
    """Which way current transformers point, where there are meters."""
    if not bus_list.circuits:
        return
    left = [row for row in bus_list.circuits if not row.circuit.direction_checked]
    names = ", ".join(f"{row.address} {row.circuit.channel}" for row in left)
    yield _Check(
        *(
            "Current transformers point the right way",
            "seen at the panel",
            "every channel of a meter",
        ),
        f"not checked: {names}" if left else f"{len(bus_list.circuits)} channels",
        NOT_TESTED if left else PASS,
    )


def _endurance(bus_list: BusList, units: Sequence[UnitRow]) -> _Check:
    """Against the bound that was agreed, unit by unit."""
    proof, bound = latest_proof(bus_list), bus_list.segment.bound
    limit = (
        f"at most {bound.percent:g} % of polls failed at every unit with 95 % confidence, at least"
        f" {bound.minutes:g} min, no unsolicited frame ({bound.name})"
    )
    check, method = "Endurance run", "polls without retries"
    worst = None if proof is None else worst_unit(proof)
    if proof is None or worst is None:
        return _Check(check, method, limit, "", NOT_TESTED)
    polled = {unit.place for unit in proof.units if unit.polls}
    left = format_addresses(unit.address for unit in units if unit.place not in polled)
    words = [
        f"{proof.failed} of {proof.polls} polls failed in {_duration(proof.seconds)}",
        f"unit {worst.address} at most {100 * worst.bound:.2g} % ({worst.failed} of"
        f" {worst.polls} polls)",
        *([f"{proof.strays} unsolicited frames"] if proof.strays else []),
        *([f"not polled: {left}"] if left else []),
        *([] if proof.complete else ["not finished"]),
    ]
    verdict = judged(proof, bound)
    open_ = left or not proof.complete
    result = NOT_COMPLETE if verdict is RunVerdict.PASSED and open_ else str(verdict)
    return _Check(check, method, limit, "; ".join(words), result)


def _duration(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < _MINUTE else f"{seconds / _MINUTE:.1f} min"


def _cycle_of_power(units: Sequence[UnitRow]) -> _Check:
    check = "Address kept through a power cycle"
    return _of_all(
        check,
        "switch off and on, ask again",
        "every unit",
        units,
        lambda unit: unit.power_cycle_verified,
    )

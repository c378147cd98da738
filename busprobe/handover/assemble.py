"""Put a bus list together from a job and the profiles of the device types in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from busprobe import __version__
from busprobe.handover import caveats
from busprobe.handover.against_plan import against
from busprobe.handover.bus_list import BusList, ProofSummary, SegmentSheet, StepSheet, UnitRow
from busprobe.handover.circuits import circuit_rows
from busprobe.handover.rows import (
    journal_row,
    planned_row,
    point_rows,
    reserved_row,
    step_sheet,
    survey_sheet,
    unit_row,
)
from busprobe.handover.stored_documents import check
from busprobe.job import Job, UnitRecord
from busprobe.job.endurance_bound import kept_bound
from busprobe.job.intervals import kept_intervals
from busprobe.job.journal import Role, WriteRecord
from busprobe.job.plan import PlannedUnit, differences, kept_plan, planned_at
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.modbus.addresses import ALL, both_forms, format_addresses, parse_addresses
from busprobe.profiles.schema import Profile
from busprobe.readdress.claims import claims
from busprobe.readdress.journal import latest_move
from busprobe.readdress.unfinished_steps import unfinished_steps
from busprobe.survey.kept_survey import KeptSurvey


def assemble(job: Job, profiles: Mapping[str, Profile]) -> BusList:
    """The bus list of everything in `job`; `profiles` by id, as the store has them.

    Raises `FileError` where the job file cannot be read.
    """
    with job.as_stored():
        assembled = _assembled(job, profiles)
        check(assembled)
    return assembled


def _assembled(job: Job, profiles: Mapping[str, Profile]) -> BusList:
    surveyed = job.latest_survey()
    survey = KeptSurvey.latest(job)
    plan = kept_plan(job)
    placed = (_placed(unit, plan) for unit in job.units())
    seated = sorted(placed, key=lambda each: _cable_order(each[0]))
    units = [unit for unit, _ in seated]
    rows = [
        against(replace(unit_row(n, unit, _profile(unit, profiles)), planned=planned), plan)
        for n, (unit, planned) in enumerate(seated, start=1)
    ]
    planned_tags = {row.place for row in rows if "tag" in row.planned}
    absent = [unit for unit in plan if unit.address not in {row.address for row in rows}]
    rows += [
        planned_row(n, unit, profiles.get(unit.profile))
        for n, unit in enumerate(absent, len(rows) + 1)
    ]
    cabling, intervals = job.cabling, kept_intervals(job)
    reserved = _reserved(units, profiles, survey, {row.address for row in rows}, cabling.keep_free)
    rows += [
        reserved_row(n, address, remark)
        for n, (address, remark) in enumerate(reserved.items(), len(rows) + 1)
    ]
    points = tuple(
        row
        for unit in units
        if unit.single
        for row in point_rows(
            unit,
            _profile(unit, profiles),
            intervals,
            tag_planned=unit.place in planned_tags,
        )
    )
    writes = job.writes()
    journal = tuple(journal_row(write, units) for write in writes)
    proof = _proof(job, units)
    meta = job.meta
    segment = SegmentSheet(
        site=meta.site,
        segment=meta.segment,
        tester=meta.tester,
        port=meta.port,
        adapter=meta.adapter,
        created=meta.created,
        made=job.now(),
        tool=f"busprobe {__version__}",
        settings=tuple(str(each) for each in sorted({unit.settings for unit in units})),
        units=sum(row.state is EntryKind.UNIT for row in rows),
        spare=_spare(rows, survey),
        survey=survey_sheet(surveyed) if surveyed else None,
        listening=step_sheet(job.latest("listening")),
        wiring=step_sheet(job.latest("wiring")),
        cautions=step_sheet(job.latest("cautions")),
        hunts=tuple(StepSheet(record.made, record.document) for record in job.records("hunt")),
        cabling=cabling,
        project=meta.project,
        document_number=meta.document_number,
        reason=meta.reason,
        job_file=job.path.name,
        every_s=intervals.every,
        bound=kept_bound(job),
    )
    return BusList(
        segment=segment,
        units=tuple(rows),
        points=points,
        journal=journal,
        proof=proof,
        attention=(
            *differences(plan, job.units()),
            *caveats.attention(
                segment,
                rows,
                points,
                journal,
                proof,
                survey,
                {claim.write.id for claim in claims(writes)},
            ),
            *(left.words for left in unfinished_steps(writes, job.now())),
            *_waiting(units, writes),
        ),
        not_tested=tuple(caveats.not_tested(segment, rows, points, journal, proof, survey)),
        trial=step_sheet(job.latest("polling")),
        circuits=tuple(
            row
            for unit in units
            if unit.single
            for row in circuit_rows(
                unit, _profile(unit, profiles), tag_planned=unit.place in planned_tags
            )
        ),
    )


def _placed(unit: UnitRecord, plan: Sequence[PlannedUnit]) -> tuple[UnitRecord, tuple[str, ...]]:
    """The entry with what only the plan says of its place, and the names of what that is."""
    planned = planned_at(plan, unit.address)
    said = planned.unconfirmed(unit) if planned is not None else {}
    return replace(unit, **said), tuple(said)


def _cable_order(unit: UnitRecord) -> tuple[bool, int, Place]:
    return unit.position is None, unit.position or 0, unit.place


def _profile(unit: UnitRecord, profiles: Mapping[str, Profile]) -> Profile | None:
    return profiles.get(unit.profile) if unit.profile else None


def _waiting(units: Iterable[UnitRecord], writes: Sequence[WriteRecord]) -> Iterator[str]:
    """Units that are where they were only put to wait for their own address."""
    for unit in units:
        brought = latest_move(unit, writes)
        if brought is not None and brought.role is Role.ASIDE and brought.target == unit.place:
            yield (
                f"Address {both_forms(unit.address)} {unit.settings}: put there to wait for its own"
                f" address, found at {both_forms(unit.found_at.address)}."
            )


def _reserved(
    units: Iterable[UnitRecord],
    profiles: Mapping[str, Profile],
    survey: KeptSurvey | None,
    taken: Collection[int],
    keep_free: str,
) -> dict[int, str]:
    """Addresses that nobody on the list has and that are to stay free, each with why and what is
    known of it.

    They are those somebody noted, and the factory addresses of the device types in use: the next
    unit out of the box will come up there (common practice).
    """
    types: dict[int, list[str]] = {}
    for profile in sorted({unit.profile for unit in units if unit.profile} & set(profiles)):
        factory = profiles[profile].factory
        if factory is not None:
            types.setdefault(factory.address, []).append(str(profiles[profile]))
    why = dict.fromkeys(parse_addresses(keep_free) if keep_free else (), "as noted")
    why |= {address: f"factory address of {', '.join(names)}" for address, names in types.items()}
    return {
        address: f"Keep free: {words}. {_as_surveyed(address, survey)}"
        for address, words in sorted(why.items())
        if address not in taken
    }


def _as_surveyed(address: int, survey: KeptSurvey | None) -> str:
    if survey is None or address not in survey.addresses:
        return "Not tested."
    if address in {place.address for place in survey.places}:
        return f"Answered in the survey of {survey.begun}; not surveyed since."
    return (
        f"Silent in the survey of {survey.begun}." if survey.complete else "Not tested to the end."
    )


def _spare(rows: Iterable[UnitRow], survey: KeptSurvey | None) -> str | None:
    if survey is None or not survey.complete:
        return None
    used = {row.address for row in rows} | {place.address for place in survey.places}
    return format_addresses((set(survey.addresses) & set(ALL)) - used)


def _proof(job: Job, units: Iterable[UnitRecord]) -> ProofSummary | None:
    latest = step_sheet(job.latest("prove"))
    polled = [unit.counters for unit in units if unit.counters]
    if latest is None and not polled:
        return None
    totals: Counter[str] = Counter()
    for counters in polled:
        totals.update(counters)
    return ProofSummary(
        units=len(polled),
        polls=totals.total(),
        results=dict(sorted(totals.items())),
        latest=latest,
    )

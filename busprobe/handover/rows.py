"""From the records of a job to the rows of a bus list, one kind of row a function."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import fields, replace
from typing import Any

from busprobe.handover.bus_list import (
    JournalEntry,
    JournalRow,
    PointRow,
    StepSheet,
    SurveySheet,
    UnitRow,
)
from busprobe.job import StepRecord, SurveyRecord, UnitRecord, WriteRecord
from busprobe.job.intervals import Intervals
from busprobe.job.journal import Result
from busprobe.job.plan import OF_PLACE, PlannedUnit
from busprobe.job.records import PointReading, PollResult, Target
from busprobe.profiles.matching import RECOGNISED
from busprobe.profiles.schema import Point, PointType, Profile
from busprobe.profiles.values import decimals
from busprobe.readdress.words import write_words
from busprobe.text import hex_bytes

OTHER_ERRORS = (PollResult.LATE, PollResult.MALFORMED, PollResult.FOREIGN)
"""Failed polls that are neither silence nor a wrong check sum."""


def unit_row(number: int, unit: UnitRecord, profile: Profile | None) -> UnitRow:
    """The row of an entry of the as-built list; what the device is stays open where not one unit
    answers."""
    known = _fields_of(UnitRow, unit)
    del known["identity"], known["found_identity"]
    if not unit.single:
        known |= {"profile": None, "match": None}
    row = UnitRow(
        **known,
        number=number,
        state=unit.kind,
        address=unit.address,
        settings=str(unit.settings),
        found_at=str(unit.found_at),
        found_identity=_identity_words(unit.found_identity),
        found_revision=unit.found_identity.get("revision", ""),
        identity=_identity_words(unit.identity),
        supply=unit.noted.get("supply", ""),
        latency_minimum_ms=unit.latency.minimum_ms,
        latency_median_ms=unit.latency.median_ms,
        latency_maximum_ms=unit.latency.maximum_ms,
        remarks=(*filter(None, (unit.noted.get("remark"),)), *unit.remarks),
    )
    row = _with_counters(row, unit.counters)
    if not unit.single:
        return row
    if profile is not None and (unit.match is None or unit.match >= RECOGNISED):
        row = _with_profile(row, profile)
    return _with_noted(_with_identity(row, unit.identity), unit.noted)


def _fields_of(row: type, record: object) -> dict[str, Any]:
    """What a row has in common with the record that it is made of: the fields of the same name."""
    names = {each.name for each in fields(row)}
    return {
        each.name: getattr(record, each.name)
        for each in fields(record)  # type: ignore[arg-type]
        if each.name in names
    }


def planned_row(number: int, unit: PlannedUnit, profile: Profile | None) -> UnitRow:
    """The row of a unit that the plan has and nobody found."""
    known = {
        **_fields_of(UnitRow, unit),
        "settings": str(unit.settings or ""),
        "profile": unit.profile or None,
    }
    return UnitRow(
        **known,
        number=number,
        state="planned",
        plan="planned and not found",
        as_planned=False,
        planned=tuple(name for name in OF_PLACE if known.get(name) not in ("", None)),
        device_type=profile.kind if profile else "",
        maker=profile.maker if profile else "",
        model=profile.model if profile else "",
        identity_source="the plan" if profile else "",
    )


def reserved_row(number: int, address: int, remark: str) -> UnitRow:
    """The row of an address that is to be kept free."""
    return UnitRow(number=number, state="reserved", address=address, remarks=(remark,))


def point_rows(
    unit: UnitRecord, profile: Profile | None, intervals: Intervals, *, tag_planned: bool = False
) -> Iterator[PointRow]:
    """The values of a unit as read, and after them those of its profile that were not read."""
    for row in _points(unit, profile):
        yield replace(
            row,
            every_s=intervals.of(unit.profile, row.name),
            reference=unit.references.get(row.name, ""),
            target=unit.targets.get(row.name, Target()),
            tag_planned=tag_planned,
        )


def _points(unit: UnitRecord, profile: Profile | None) -> Iterator[PointRow]:
    points = {} if profile is None else {point.name: point for point in profile.points}
    for reading in unit.readings:
        yield _read_point(unit, profile, points.pop(reading.name, None), reading)
    if profile is None:
        return
    for point in points.values():
        yield _unread_point(unit, profile, point)


def journal_row(write: WriteRecord, units: Iterable[UnitRecord]) -> JournalRow:
    """The row of one write with everything that was noted about it, and the unit listed where it
    left it."""
    moved = write.outcome is Result.VERIFIED
    place = write.target if moved else write.source
    unit = next((unit for unit in units if unit.place == place), None)
    return JournalRow(
        number=write.id,
        intended=write.intended,
        tester=write.tester,
        kind=write_words(write),
        from_address=write.source.address,
        to_address=write.target.address,
        settings=str(write.source.settings),
        words=write.words,
        request=hex_bytes(write.request),
        outcome=write.outcome,
        conclusions=tuple(
            JournalEntry(c.made, c.outcome, None if c.reply is None else hex_bytes(c.reply), c.why)
            for c in write.conclusions
        ),
        wanted_settings=str(write.target.settings),
        serial=unit.identity.get("serial", "") if unit else "",
        power_cycle_verified=unit.power_cycle_verified if unit and moved else None,
    )


def survey_sheet(survey: SurveyRecord) -> SurveySheet:
    """What was asked of the last survey and what it said of the line."""
    document = survey.document
    line: Mapping[str, Any] = document.get("line") or {}
    return SurveySheet(
        begun=survey.begun,
        ended=survey.ended,
        complete=survey.complete,
        port=document.get("port", ""),
        settings=tuple(document.get("settings", ())),
        addresses=document.get("addresses", ""),
        seconds=document.get("seconds"),
        echo=line.get("echo"),
        other_master=line.get("other_master"),
        noise_bytes=line.get("noise_bytes"),
        notes=tuple(document.get("notes", ())),
    )


def _identity_words(identity: Mapping[str, str]) -> str:
    """Maker, product and serial number as a unit says them."""
    return " ".join(filter(None, map(identity.get, ("vendor", "product", "serial"))))


def step_sheet(record: StepRecord | None) -> StepSheet | None:
    """What a step recorded, if it did."""
    return None if record is None else StepSheet(record.made, record.document)


def _with_counters(row: UnitRow, counters: Mapping[PollResult, int]) -> UnitRow:
    if not counters:
        return row
    return replace(
        row,
        polls=sum(counters.values()),
        timeouts=counters.get(PollResult.SILENT, 0),
        crc_errors=counters.get(PollResult.CRC, 0),
        other_errors=sum(counters.get(kind, 0) for kind in OTHER_ERRORS),
        exceptions=counters.get(PollResult.EXCEPTION, 0),
        after_junk=counters.get(PollResult.OK_AFTER_STRAY_BYTES, 0),
    )


def _with_profile(row: UnitRow, profile: Profile) -> UnitRow:
    at_delivery = profile.factory.address if profile.factory else None
    return replace(
        row,
        device_type=profile.kind,
        maker=profile.maker,
        model=profile.model,
        identity_source="chosen by hand" if row.match is None else f"profile fits {row.match:.0%}",
        factory_address=at_delivery if row.factory_address is None else row.factory_address,
        read_functions=tuple(sorted({point.function for point in profile.points})),
        write_function=profile.readdress.function if profile.readdress else None,
        word_orders=tuple(
            sorted({str(point.order) for point in profile.points if point.count > 1})
        ),
        numbering=str(profile.numbering),
        registers_a_request=profile.limits.registers,
        gap_ms=round(1000 * profile.limits.gap_s, 3),
    )


def _with_identity(row: UnitRow, identity: Mapping[str, str]) -> UnitRow:
    """The unit's own word counts more than the profile's."""
    said = (identity.get("vendor"), identity.get("product"))
    return replace(
        row,
        maker=said[0] or row.maker,
        model=said[1] or row.model,
        serial=identity.get("serial") or "",
        revision=identity.get("revision") or "",
        identity_source="said by the unit" if any(said) else row.identity_source,
        says_itself=any(said),
    )


def _with_noted(row: UnitRow, noted: Mapping[str, str]) -> UnitRow:
    """What somebody read off the unit fills what it does not say itself."""
    by_hand = bool((noted.get("maker") or noted.get("model")) and not (row.maker or row.model))
    return replace(
        row,
        maker=row.maker or noted.get("maker", ""),
        model=row.model or noted.get("model", ""),
        serial=row.serial or noted.get("serial", ""),
        revision=row.revision or noted.get("revision", ""),
        identity_source="read off by hand" if by_hand else row.identity_source,
    )


def _read_point(
    unit: UnitRecord, profile: Profile | None, point: Point | None, reading: PointReading
) -> PointRow:
    return PointRow(
        **_of_unit(unit),
        **{**_fields_of(PointRow, reading), **_of_point(profile if point else None, point)},
    )


def _unread_point(unit: UnitRecord, profile: Profile, point: Point) -> PointRow:
    return PointRow(
        **_of_unit(unit),
        **_of_point(profile, point),
        name=point.name,
        function=point.function,
        register=point.at.wire,
        count=point.count,
        type=str(point.type),
        unit=point.unit,
        scale=point.scale,
        registers=None,
        value=None,
        text="",
        plausible=None,
        scale_register=point.scale_register.at.wire if point.scale_register else None,
    )


def _of_unit(unit: UnitRecord) -> dict[str, Any]:
    return {
        "address": unit.address,
        "settings": str(unit.settings),
        "tag": unit.tag,
        "profile": unit.profile,
    }


def _of_point(profile: Profile | None, point: Point | None) -> dict[str, Any]:
    """What only the profile says of a point."""
    if point is None:
        nothing = ("sheet_register", "numbering", "word_order", "offset")
        return dict.fromkeys((*nothing, "plausible_min", "plausible_max"))
    return {
        "sheet_register": point.at.sheet,
        "numbering": str(profile.numbering) if profile else None,
        "word_order": (str(point.order) if point.count > 1 or point.order.bytes_reversed else None),
        "offset": point.offset,
        "plausible_min": point.plausible_min,
        "plausible_max": point.plausible_max,
        "access": point.access,
        "description": point.description or "",
        "channel": point.channel or "",
        "tolerance": point.tolerance,
        "tolerance_percent": point.tolerance_percent,
        "alarm_min": point.alarm_min,
        "alarm_max": point.alarm_max,
        "decimals": decimals(point),
        "read_once": point.read_once,
        "codes": _codes(point),
        "no_value": point.no_value,
        "first_bit": point.first_bit,
        "bit_count": point.bit_count,
        "own_scale": point.scale,
        "scale_means": str(point.scale_register.means) if point.scale_register else "",
    }


def _codes(point: Point) -> str:
    what = "bit " if point.type is PointType.BITS else ""
    return " | ".join(f"{what}{code} = {name}" for code, name in sorted(point.names.items()))

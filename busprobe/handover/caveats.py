"""What a bus list has to say against itself: what needs attention, and what nobody tested.

Each caveat is one sentence that names the unit or the record it rests on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import pairwise

from busprobe.handover.bus_list import (
    JournalRow,
    PointRow,
    ProofSummary,
    SegmentSheet,
    UnitRow,
)
from busprobe.job.journal import Result
from busprobe.job.records import EntryKind
from busprobe.line.place import Place
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS
from busprobe.modbus.addresses import ALL, AddressSet, both_forms, format_addresses
from busprobe.profiles.matching import RECOGNISED
from busprobe.readdress.words import RESULT_WORDS
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.wiring.meter import Level
from busprobe.wiring.record import WiringRecord

TERMINATORS = 2
"""On a pair, one at either end (MODBUS over Serial Line V1.02, section 3.4.5)."""


def attention(
    segment: SegmentSheet,
    units: Sequence[UnitRow],
    points: Sequence[PointRow],
    journal: Sequence[JournalRow],
    proof: ProofSummary | None,
    survey: KeptSurvey | None,
    claiming: Collection[int] = (),
) -> Iterator[str]:
    """What has to be looked at before the segment can be called sound; `survey` is the last
    one, `claiming` are the numbers of writes that may still give a unit an address."""
    if len(segment.settings) > 1:
        yield (
            f"The units have different line settings ({', '.join(segment.settings)}): no master can"
            " poll them all."
        )
    if segment.listening and segment.listening.document.get("other_master"):
        yield "Another master was heard on the pair before anything was asked."
    if segment.survey and segment.survey.other_master:
        yield "Another master was heard on the pair during the survey."
    if proof and proof.latest and (strays := proof.latest.document.get("strays")):
        yield (
            f"{strays} frames that no request accounts for were heard during the last endurance"
            " run."
        )
    yield from _shared_addresses(units)
    for unit in units:
        yield from _unit_attention(unit)
    yield from _lost(units, survey)
    for point in points:
        if point.plausible is False:
            yield f"{_point_name(point)} reads {point.text or 'nothing'}, which is not plausible."
        if point.within_tolerance is False:
            yield (
                f"{_point_name(point)} reads {point.text} and shows {point.reference}: farther"
                f" apart than the {point.allowed:g} {point.unit}".rstrip()
                + " that its tolerance allows."
            )
    yield from _along_the_cable(segment, units)
    yield from _open_writes(segment, journal, claiming)
    yield from _wiring_attention(segment.wiring_record)


def not_tested(
    segment: SegmentSheet,
    units: Sequence[UnitRow],
    points: Sequence[PointRow],
    journal: Sequence[JournalRow],
    proof: ProofSummary | None,
    survey: KeptSurvey | None,
) -> Iterator[str]:
    """What nobody looked at; `survey` as for `attention`."""
    yield from _not_searched(survey)
    if segment.wiring is None:
        yield "The wiring was not measured."
    else:
        yield from (f"Wiring: {skipped} was left out." for skipped in segment.left_out)
    alone = [unit for unit in units if unit.state is EntryKind.UNIT]
    unread = {point.place for point in points if point.registers is None}
    read = {point.place for point in points if point.registers is not None}
    old = stale(points, journal)
    gaps = (
        ("The device type is not known", [u for u in alone if not u.maker and not u.model]),
        ("No values were read", [u for u in alone if u.place not in read]),
        (
            "Some values were not read",
            [u for u in alone if u.place in unread & read],
        ),
        (
            f"Values were last read before the last move ({last_move(journal)})",
            [u for u in alone if u.place in old],
        ),
        ("No endurance run", [u for u in alone if not u.polls]),
        ("Not checked after a power cycle", [u for u in alone if u.power_cycle_verified is None]),
    )
    for what, concerned in gaps:
        if concerned:
            yield f"{what}: {_names(concerned)}."
    if proof and proof.latest and proof.latest.document.get("complete") is False:
        yield f"The endurance run of {proof.latest.made} was not finished."


def last_move(journal: Iterable[JournalRow]) -> str:
    """When a unit was last seen at the place that a write gave it; empty where none was moved."""
    seen = (
        next((said.made for said in write.conclusions if said.outcome is Result.VERIFIED), "")
        for write in journal
    )
    return max(seen, default="")


def stale(points: Iterable[PointRow], journal: Sequence[JournalRow]) -> set[Place]:
    """The units of which a value was not read since the last move on the bus, or nobody knows
    when."""
    moved = last_move(journal)
    read = (point for point in points if point.registers is not None)
    return {point.place for point in read if moved and (point.read or "") < moved}


def _shared_addresses(units: Sequence[UnitRow]) -> Iterator[str]:
    found = [unit for unit in units if unit.found]
    for address in sorted({unit.address for unit in found}):
        at = [unit.settings for unit in found if unit.address == address]
        if len(at) > 1:
            yield (
                f"Address {both_forms(address)} is in use at {' and at '.join(at)}: a clash at"
                " common settings."
            )


def _unit_attention(unit: UnitRow) -> Iterator[str]:
    name = _name(unit)
    match unit.state:
        case EntryKind.CLASH:
            yield f"{name}: two or more units answer."
        case EntryKind.UNSURE:
            yield f"{name}: a unit answers, but it is not clear which."
    if unit.power_cycle_verified is False:
        yield f"{name}: did not answer here after a power cycle."
    if unit.match is not None and unit.match < RECOGNISED:
        yield (
            f"{name}: the profile {unit.profile} fits only {unit.match:.0%}; the device type is not"
            " certain."
        )
    failed = (unit.timeouts or 0) + (unit.crc_errors or 0) + (unit.other_errors or 0)
    if failed:
        yield f"{name}: {failed} of {unit.polls} polls failed."
    if unit.exceptions:
        yield f"{name}: {unit.exceptions} of {unit.polls} polls were refused with an exception."
    if unit.after_junk:
        yield f"{name}: {unit.after_junk} of {unit.polls} replies came after stray bytes."


def _along_the_cable(segment: SegmentSheet, units: Sequence[UnitRow]) -> Iterator[str]:
    """What was noted of the places along the cable and cannot be, or should not."""
    placed = sorted(
        (u for u in units if u.found and u.seen_on_site("position") is not None),
        key=lambda unit: unit.position or 0,
    )
    for position in sorted({unit.position for unit in placed if unit.position is not None}):
        there = [unit for unit in placed if unit.position == position]
        if len(there) > 1:
            yield (
                f"Place {position} along the cable is noted of {len(there)} units: {_names(there)}."
            )
    for near, far in pairwise(
        unit for unit in placed if unit.seen_on_site("distance_m") is not None
    ):
        if (far.distance_m or 0) < (near.distance_m or 0):
            yield (
                f"{_name(far)}: noted behind {_names([near])} along the cable, but nearer to the"
                f" master: {far.distance_m:g} m and {near.distance_m:g} m."
            )
    fitted = [unit for unit in units if unit.found and unit.seen_on_site("terminator")]
    number = len(fitted) + bool(segment.cabling.terminator_at_master)
    if number > TERMINATORS:
        yield (
            f"{number} terminators are noted; a pair has {TERMINATORS}, one at either end (V1.02"
            " section 3.4.5)."
        )
    elif segment.cabling.terminator_at_master and placed and fitted and fitted[0] in placed[:-1]:
        yield (
            f"{_name(fitted[0])}: a terminator is noted here, and this is not the end of the cable."
        )


def _lost(units: Sequence[UnitRow], survey: KeptSurvey | None) -> Iterator[str]:
    """Units that a later complete survey did not find again."""
    if survey is None or not survey.complete:
        return
    for unit in units:
        seen_before = unit.seen is not None and unit.seen < survey.begun
        if not seen_before or unit.place in survey.places:
            continue
        if unit.address in survey.addresses and unit.place.settings in survey.settings:
            yield (
                f"{_name(unit)}: answered at {unit.seen}, but not in the survey of {survey.begun}."
            )


def _open_writes(
    segment: SegmentSheet, journal: Sequence[JournalRow], claiming: Collection[int]
) -> Iterator[str]:
    """Writes without a good end that nothing later settles: a verified write to that address, or a
    complete survey where the unit has no address coming."""
    survey = segment.survey
    for n, write in enumerate(journal):
        last_word = write.conclusions[-1].made if write.conclusions else write.intended
        if write.number not in claiming and (
            write.outcome in (Result.VERIFIED, Result.REFUSED, Result.ACKNOWLEDGED)
            or (survey and survey.complete and survey.begun > last_word)
            or any(
                (later.to_address, later.settings, later.outcome)
                == (write.to_address, write.settings, Result.VERIFIED)
                for later in journal[n + 1 :]
            )
        ):
            continue
        end = (
            "its outcome is not recorded" if write.outcome is None else RESULT_WORDS[write.outcome]
        )
        yield f"Write {write.number} of {write.intended} ({write.words}): {end}."


def _wiring_attention(wiring: WiringRecord) -> Iterator[str]:
    for each in wiring.judgements:
        if each.level in (Level.ATTENTION, Level.WRONG):
            yield f"Wiring, {each.measurement}: {each.reading}. {each.words}"
    for one in (*wiring.observations, *wiring.patterns):
        yield f"Wiring: {one.seen}"


def _not_searched(survey: KeptSurvey | None) -> Iterator[str]:
    if survey is None:
        yield "The pair was not surveyed."
        return
    if survey.cut_off:
        yield f"The survey of {survey.begun} was cut off; how far it got is not known."
    elif not survey.complete:
        yield f"The survey of {survey.begun} did not search all that was asked for."
    left: dict[tuple[AddressSet, str], list[str]] = {}
    for one in survey.untested:
        left.setdefault((one.addresses, one.why), []).append(str(one.settings))
    for (addresses, why), settings in left.items():
        yield (
            f"Survey: {', '.join(settings)}, addresses {format_addresses(addresses)} were not asked"
            f" everything, {why}."
        )
    left_out = set(ALL) - set(survey.addresses)
    if left_out:
        yield f"Addresses {format_addresses(left_out)} were not searched."
    common = {f"{baud}-{form}" for baud in COMMON_BAUDS for form in COMMON_FORMATS}
    searched = [str(settings) for settings in survey.settings]
    if not common <= set(searched):
        yield f"Line settings other than {', '.join(searched)} were not searched."


def _name(unit: UnitRow) -> str:
    return " ".join(
        filter(None, ("Address", both_forms(unit.address), unit.settings, unit.tag_words))
    )


def _names(units: Iterable[UnitRow]) -> str:
    return ", ".join(
        f"{unit.address}{f' {unit.tag}' if unit.seen_on_site('tag') else ''}" for unit in units
    )


def _point_name(point: PointRow) -> str:
    return f"Address {both_forms(point.address)} {point.settings}: {point.name}"

"""One visit held against an earlier one: what is missing, extra, moved, exchanged, changed, or
slower.

Two entries are taken for the same unit by its serial number, else by its tag, else by its place on
the pair (address and line settings, along the writes of the later job's journal), else by its
address alone where nothing contradicts.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping
from dataclasses import replace

from busprobe.handover.bus_list import BusList, SegmentSheet, UnitRow
from busprobe.handover.comparison import Comparison, Difference, DifferenceKind, EarlierVisit
from busprobe.handover.tables.proof_table import latest_proof
from busprobe.job.journal import Result
from busprobe.job.records import EntryKind, PollResult
from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms, parse_addresses
from busprobe.prove.statistics import Times
from busprobe.text import harmless

ENOUGH = 20
"""Replies of a unit in each endurance run, below which their times are not compared; our choice."""

GROWTH = 1.25
"""Median over the earlier median, below which nobody needs to care: masters wait for twice the
slowest reply or so."""

ADAPTER = 0.016
"""Seconds that another adapter alone may hold back a reply (common practice: latency timers of 16
ms)."""

Pair = tuple[UnitRow, UnitRow]


def compare(before: BusList, now: BusList) -> Comparison:
    """Hold the bus list of a visit against that of an earlier one."""
    old, new = _found(before), _found(now)
    pairs = _pairs(old, new, _moves(before, now))
    old_gone = [unit for unit in old if not any(unit is pair[0] for pair in pairs)]
    new_here = [unit for unit in new if not any(unit is pair[1] for pair in pairs)]
    times, silence = _Times(before, now), _Silence(before, now)
    differences = [
        *(difference for pair in pairs for difference in _changes(*pair)),
        *(difference for pair in pairs for difference in silence.told(*pair)),
        *(difference for pair in pairs for difference in times.slower(*pair)),
        *(_gone(unit, now.segment) for unit in old_gone),
        *(_appeared(unit, before.segment) for unit in new_here),
    ]
    differences.sort(key=lambda one: one.address_before or one.address_now or 0)
    unknown: dict[str, list[str]] = {}
    for pair in pairs:
        for what in (*silence.unknown(*pair), *_unknown(*pair), *times.unknown(*pair)):
            unknown.setdefault(what, []).append(f"{pair[0].address} {pair[0].tag_words}".strip())
    not_compared = [f"{what}: {', '.join(units)}." for what, units in unknown.items()]
    not_compared[:0] = (
        *_wrong_way_round(before, now),
        *_other_segment(before.segment, now.segment),
    )
    return Comparison(
        tuple(replace(one, words=harmless(one.words)) for one in differences),
        tuple(harmless(words) for words in not_compared),
    )


def with_earlier(now: BusList, before: BusList, name: str) -> BusList:
    """The list with what is not as it was in the earlier job called `name`."""
    then, compared = before.segment, compare(before, now)
    earlier = EarlierVisit(name, then.created, _last_seen(before), then.tester, compared)
    return replace(now, earlier=earlier)


def _last_seen(bus_list: BusList) -> str:
    """When a unit last answered; empty where none did."""
    return max((unit.seen for unit in bus_list.units if unit.seen), default="")


def _wrong_way_round(before: BusList, now: BusList) -> Iterator[str]:
    """Whether what is taken for the earlier visit began later, and saw units later, than the
    other."""
    begun, seen = before.segment.created, _last_seen(before)
    if begun > now.segment.created and seen > _last_seen(now):
        yield (
            f"The earlier visit was begun {begun}, after the later one, {now.segment.created}: "
            "they seem to be the wrong way round."
        )


def _found(bus_list: BusList) -> list[UnitRow]:
    return [unit for unit in bus_list.units if unit.found]


# -- who is who
# ------------------------------------------------------------------------------------------


def _moves(before: BusList, now: BusList) -> Mapping[Place, Place]:
    """Where the units of the earlier visit went by verified writes that it did not know yet."""
    known = {(write.intended, write.request) for write in before.journal}
    went: dict[Place, Place] = {}
    for write in now.journal:
        if (write.intended, write.request) in known or write.outcome != Result.VERIFIED:
            continue
        if write.from_address is None or write.to_address is None:
            continue
        source = Place.parse(f"{write.from_address} {write.settings}")
        target = replace(source, address=write.to_address)
        origin = next((start for start, end in went.items() if end == source), source)
        if (
            origin != source or source not in went
        ):  # else another unit that came to the same address later
            went[origin] = target
    return went


def _pairs(
    old: Iterable[UnitRow], new: Iterable[UnitRow], went: Mapping[Place, Place]
) -> list[Pair]:
    keys: tuple[tuple[Callable[[UnitRow], Hashable], Callable[[UnitRow], Hashable]], ...] = (
        (_serial, _serial),
        (_tag, _tag),
        (lambda unit: went.get(_place(unit), _place(unit)), _place),
        (lambda unit: unit.address, lambda unit: unit.address),
    )
    pairs: list[Pair] = []
    old, new = list(old), list(new)
    for old_key, new_key in keys:
        before, now = _unique(old, old_key), _unique(new, new_key)
        by_address_alone = (old_key, new_key) == keys[-1]
        for key in before:
            if key in now and not (by_address_alone and _exchanged(before[key], now[key])):
                pairs.append((before[key], now[key]))
        old = [unit for unit in old if not any(unit is pair[0] for pair in pairs)]
        new = [unit for unit in new if not any(unit is pair[1] for pair in pairs)]
    return pairs


def _unique(
    units: Iterable[UnitRow], key: Callable[[UnitRow], Hashable]
) -> dict[Hashable, UnitRow]:
    """The units by a key, without those that share theirs: nobody could tell which is which."""
    by_key: dict[Hashable, list[UnitRow]] = {}
    for unit in units:
        if (value := key(unit)) is not None:
            by_key.setdefault(value, []).append(unit)
    return {value: alike[0] for value, alike in by_key.items() if len(alike) == 1}


def _serial(unit: UnitRow) -> Hashable:
    return (unit.maker, unit.serial) if unit.serial else None


def _tag(unit: UnitRow) -> Hashable:
    return unit.seen_on_site("tag") or None


def _place(unit: UnitRow) -> Place:
    return unit.place


# -- what changed
# ----------------------------------------------------------------------------------------


def _changes(old: UnitRow, new: UnitRow) -> Iterator[Difference]:
    def changed(kind: DifferenceKind, words: str) -> Difference:
        return Difference(kind, old.address, new.address, f"{_name(old)} {words}")

    if old.state != new.state:
        yield changed(DifferenceKind.STATE, f"was listed as {old.state} and is {new.state} now.")
    if old.address != new.address:
        yield changed(DifferenceKind.MOVED, f"is at {both_forms(new.address)} now.")
    if None not in (old.position, new.position) and old.position != new.position:
        yield changed(
            DifferenceKind.MOVED,
            f"was number {old.position} along the cable and is number {new.position} now.",
        )
    if old.settings != new.settings:
        yield changed(DifferenceKind.SETTINGS, f"has the line settings {new.settings} now.")
    if _exchanged(old, new):
        yield changed(DifferenceKind.EXCHANGED, f"was {_device(old)} and is {_device(new)} now.")
    elif old.revision and new.revision and old.revision != new.revision:
        yield changed(
            DifferenceKind.FIRMWARE, f"had revision {old.revision} and has {new.revision} now."
        )


def _exchanged(old: UnitRow, new: UnitRow) -> bool:
    """Whether what is known of both contradicts their being one device.

    Maker and model count where both units said them; a profile's name for a type may differ from
    the unit's own.
    """
    if old.serial and new.serial and old.serial != new.serial:
        return True
    if old.says_itself and new.says_itself:
        return (old.maker, old.model) != (new.maker, new.model)
    return bool(old.profile and new.profile and old.profile != new.profile)


def _device(unit: UnitRow) -> str:
    serial = f"serial no. {unit.serial}" if unit.serial else ""
    return " ".join(filter(None, (unit.maker, unit.model, serial))) or f"of type {unit.profile}"


def _gone(unit: UnitRow, now: SegmentSheet) -> Difference:
    if _looked(unit, now):
        words = "is not on the later list, though a complete survey asked there."
        return Difference(DifferenceKind.MISSING, unit.address, None, f"{_name(unit)} {words}")
    words = "is not on the later list, and no complete survey asked there."
    return Difference(DifferenceKind.NOT_LOOKED_FOR, unit.address, None, f"{_name(unit)} {words}")


def _appeared(unit: UnitRow, before: SegmentSheet) -> Difference:
    then = (
        "though a complete survey asked there"
        if _looked(unit, before)
        else "and no complete survey asked there"
    )
    return Difference(
        DifferenceKind.EXTRA,
        None,
        unit.address,
        f"{_name(unit)} is not on the earlier list, {then}.",
    )


def _looked(unit: UnitRow, segment: SegmentSheet) -> bool:
    """Whether a survey that came to its end asked at the unit's place."""
    survey = segment.survey
    if survey is None or not survey.complete or not survey.addresses:
        return False
    return unit.settings in survey.settings and unit.address in parse_addresses(survey.addresses)


class _Silence:
    """Units that stayed on the list, although they gave no reply when they were asked after the
    earlier visit."""

    def __init__(self, before: BusList, now: BusList) -> None:
        self._segment = now.segment
        self._polls = {} if _last_run(before) == _last_run(now) else _silent_polls(now)

    def told(self, old: UnitRow, new: UnitRow) -> Iterator[Difference]:
        """The difference, where there is one."""
        survey = self._segment.survey
        again = bool(
            survey and new.seen and new.seen < survey.begun and _looked(new, self._segment)
        )
        words = ""
        if again and old.seen == new.seen:
            words = "did not answer in its last complete survey"
        elif polls := self._polls.get(_place(new)):
            words = f"answered none of the {polls} polls of its last endurance run in time"
        if words:
            yield Difference(
                DifferenceKind.MISSING,
                old.address,
                None,
                f"{_name(new)} is still on the later list, but {words}.",
            )

    def unknown(self, old: UnitRow, new: UnitRow) -> Iterator[str]:
        """Where nobody asked again, nothing can be told of the unit."""
        if old.seen is not None and old.seen == new.seen and not any(self.told(old, new)):
            yield "Anything: not checked again since the earlier visit"


def _last_run(bus_list: BusList) -> str:
    return bus_list.proof.latest.made if bus_list.proof and bus_list.proof.latest else ""


def _silent_polls(bus_list: BusList) -> dict[Place, int]:
    proof = latest_proof(bus_list)
    units = () if proof is None else proof.units
    return {
        Place(unit.address, unit.settings): unit.polls
        for unit in units
        if 0 < unit.polls == unit.count(PollResult.SILENT)
    }


class _Times:
    """Reply times of both endurance runs.

    A unit got slower where half of its replies now take longer than 99 of 100 did, which no scatter
    explains, and its median grew by `GROWTH`.  Where the adapter is not known to be the same, what
    an adapter alone may add is allowed.
    """

    def __init__(self, before: BusList, now: BusList) -> None:
        self._before, self._now = _reply_times(before), _reply_times(now)
        same_adapter = bool(now.segment.adapter) and before.segment.adapter == now.segment.adapter
        self._allowed = 0.0 if same_adapter else ADAPTER

    def slower(self, old: UnitRow, new: UnitRow) -> Iterator[Difference]:
        """The difference, where there is one."""
        before, now = self._before.get(_place(old)), self._now.get(_place(new))
        if before is None or now is None or old.settings != new.settings:
            return
        limit, was, median = before.percentile(99), before.median, now.median
        if limit is None or was is None or median is None:
            return
        if median > limit + self._allowed and median > GROWTH * was:
            words = (
                f"got slower: half of its replies take longer than {1000 * median:.1f} ms, "
                f"99 of 100 took less than {1000 * limit:.1f} ms before"
            )
            allowed = (
                f"; {1000 * self._allowed:g} ms are allowed for another adapter"
                if self._allowed
                else ""
            )
            yield Difference(
                DifferenceKind.SLOWER, old.address, new.address, f"{_name(old)} {words}{allowed}."
            )

    def unknown(self, old: UnitRow, new: UnitRow) -> Iterator[str]:
        """Why the times of this unit say nothing, where they do not."""
        if (old.state, new.state) != (EntryKind.UNIT, EntryKind.UNIT):
            return
        if old.settings != new.settings:
            yield "Reply times, since the line settings changed"
        elif _place(old) not in self._before or _place(new) not in self._now:
            yield f"Reply times, for want of {ENOUGH} replies in an endurance run of each visit"


def _reply_times(bus_list: BusList) -> dict[Place, Times]:
    proof = latest_proof(bus_list)
    units = () if proof is None else proof.units
    return {
        Place(unit.address, unit.settings): unit.reply_times
        for unit in units
        if unit.reply_times.count >= ENOUGH
    }


def _unknown(old: UnitRow, new: UnitRow) -> Iterator[str]:
    if bool(old.revision) != bool(new.revision):
        yield "Revision, known of one visit only"


def _other_segment(before: SegmentSheet, now: SegmentSheet) -> Iterator[str]:
    then, today = (before.site, before.segment), (now.site, now.segment)
    if then != today:
        yield (
            f"The jobs name different segments ('{' '.join(then).strip()}' and"
            f" '{' '.join(today).strip()}'): make sure that they are of the same pair of wires."
        )


def _name(unit: UnitRow) -> str:
    return " ".join(filter(None, ("Unit", both_forms(unit.address), unit.settings, unit.tag_words)))

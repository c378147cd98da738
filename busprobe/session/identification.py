"""What a unit was found to be, kept with its entry in the as-built list, and held against its
siblings there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from busprobe.job.job import Job
from busprobe.job.records import UnitRecord
from busprobe.modbus.identification import FIRST_OWN_OBJECT, object_name
from busprobe.profiles.same_type import Sibling, differences
from busprobe.survey.findings import Kind
from busprobe.survey.identify import Identified
from busprobe.text import hex_bytes


def keep_identified(job: Job, found: Identified) -> Identified:
    """Bring the unit's entry up to date, and what its siblings' entries say of each other.

    Returns `found` with notes on what it has not in common with its siblings.  Where not one unit
    alone answered, the list stays as it is: a place that was only asked is no unit.
    """
    if found.examination.kind is not Kind.UNIT:
        return found
    with job.together():
        return _kept(job, found)


def _kept(job: Job, found: Identified) -> Identified:
    place, now = found.place, job.now()
    known = job.unit(place) or UnitRecord(place)
    best = found.matches[0] if found.profile and found.matches else None
    factory = found.profile.factory if found.profile else None
    unit = replace(
        known.identified_as(dict(_said(found))),
        profile=found.profile.id if found.profile else known.profile,
        match=round(best.score, 3) if best else known.match,
        readings=tuple(replace(reading, read=now) for reading in found.kept_readings),
        sample=_sample(found),
        factory_address=factory.address if factory else known.factory_address,
        notes=(*known.notes, *(note for note in found.notes if note not in known.notes)),
        not_recognised=found.not_recognised,
    ).seen_now(now, job.meta.tester)
    job.put_unit(unit)
    if found.profile is None or found.profile.generic:
        return found
    _compare_siblings(job, found.profile.id)
    unit = job.unit(place) or unit
    return replace(found, notes=(*found.notes, *unit.differences))


def _sample(found: Identified) -> tuple[str, ...]:
    """One request and its reply as raw bytes: what somebody needs who has to prove that the unit
    can be read."""
    sound = (reply for reply in found.examination.replies if reply.valid)
    return next(((hex_bytes(reply.request.frame), hex_bytes(reply.frame)) for reply in sound), ())


def _compare_siblings(job: Job, profile_id: str) -> None:
    """Note with each unit of a type in what it differs from the others, in place of what was noted
    before."""
    units = [unit for unit in job.units() if unit.single and unit.profile == profile_id]
    siblings = [Sibling(unit.place, unit.identity.get("revision")) for unit in units]
    for unit, sibling in zip(units, siblings, strict=True):
        now = differences(sibling, siblings)
        if now != unit.differences:
            job.put_unit(replace(unit, differences=now))


def _said(found: Identified) -> Iterator[tuple[str, str]]:
    """What a unit says of itself; what only its profile says is not put into its mouth."""
    told = set(found.identity.values())
    own = {
        object_name(n): text for n, text in (found.objects or {}).items() if n >= FIRST_OWN_OBJECT
    }
    own = {name: text for name, text in own.items() if text not in told}
    for name, text in {**found.identity, "server id": found.server_id, **own}.items():
        if text:
            yield name, text

"""Which profile a unit fits, how well and why.

Every fact that fits adds to a score between 0 and 1, as independent pieces of evidence do: the score is 1 minus the
product of what each leaves open.  A fact that contradicts multiplies it down.  How far a kind of evidence can carry is
bounded: factory address and settings are shared by half of all units, and plausible values are found in any register
map, so neither alone lets anybody say what a unit is.  A fact that was not asked for, or not answered, counts neither
way.  The weights are this program's own judgement; no standard gives any.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from busprobe.line.settings import LineSettings
from busprobe.modbus.identification import OBJECT_NAMES
from busprobe.profiles.plan import Registers
from busprobe.profiles.schema import Fingerprint, Point, Profile, RegisterTest
from busprobe.profiles.values import readings

RECOGNISED = 0.7
"""Score from which a unit may be called recognised."""

CLEAR_LEAD = 0.15
"""How far the second-best profile has to be behind."""

_AT_DELIVERY_AT_MOST = 0.3
"""Bound where only address and settings are known."""

_PLAUSIBLE_AT_MOST = 0.5
"""Bound where, besides, points read plausible values."""

_REGISTERS_AT_MOST = 0.85
"""Bound where fingerprint registers fit and no text says what the unit is."""

_VENDOR, _PRODUCT, _REVISION = 0, 1, 2
"""Identification objects every unit with device identification has (V1.1b3 section 6.21)."""


@dataclass(frozen=True)
class Facts:
    """What is known of a unit.  Texts have been through `busprobe.text.from_device`."""

    identification: Mapping[int, str] | None = None
    """Device identification objects; None where it was not asked for or not answered."""
    server_id: str | None = None
    """Text of the server id; None where it was not asked for or not answered."""
    registers: Registers = field(default_factory=dict)
    """Registers read and registers refused (`busprobe.profiles.plan.Block`)."""
    settings: LineSettings | None = None
    """Settings the unit answers at."""
    address: int | None = None
    """Unit address it answers at."""


@dataclass(frozen=True)
class Match:
    """How well one profile fits."""

    profile: Profile
    score: float
    """From 0, certainly not, to 1, certainly."""
    reasons: tuple[str, ...]
    """Sentences, one a fact: first what spoke for it, then what spoke against it, the weightiest first."""


def match(facts: Facts, profiles: Iterable[Profile]) -> tuple[Match, ...]:
    """How well each of `profiles` fits `facts`, best first; equals in the order of their ids."""
    matches = [_match(facts, profile) for profile in profiles]
    return tuple(sorted(matches, key=lambda m: (-m.score, m.profile.id)))


def recognised(matches: tuple[Match, ...]) -> Match | None:
    """The first of sorted `matches` if it is good enough to say "this is a ..." and no other comes close."""
    if not matches or matches[0].score < RECOGNISED:
        return None
    return matches[0] if len(matches) == 1 or matches[0].score - matches[1].score >= CLEAR_LEAD else None


@dataclass(frozen=True)
class _Evidence:
    """One fact held against one expectation."""

    weight: float
    """For: how much of the doubt it takes away (above 0).  Against: minus the part of the score it takes away."""
    at_most: float
    """Bound of the score if this is the strongest kind of evidence there is."""
    reason: str


def _match(facts: Facts, profile: Profile) -> Match:
    evidence = [*_texts(facts, profile.fingerprint), *_registers(facts, profile), *_at_delivery(facts, profile)]
    pro = sorted((e for e in evidence if e.weight > 0), key=lambda e: -e.weight)
    contra = sorted((e for e in evidence if e.weight < 0), key=lambda e: e.weight)
    score = 1 - math.prod(1 - e.weight for e in pro)
    score = min(score, max((e.at_most for e in pro), default=0.0))
    score *= math.prod(1 + e.weight for e in contra)
    return Match(profile, round(score, 3), tuple(e.reason for e in (*pro, *contra)))


def _texts(facts: Facts, fingerprint: Fingerprint) -> Iterator[_Evidence]:
    if fingerprint.server_id is not None and facts.server_id is not None:
        if fingerprint.server_id.passes(facts.server_id):
            yield _Evidence(0.75, 1.0, f"Server id is '{facts.server_id}', as expected.")
        else:
            yield _Evidence(
                -0.95, 0, f"Server id is '{facts.server_id}', where {fingerprint.server_id.words} was expected."
            )
    for test in fingerprint.objects:
        given = (facts.identification or {}).get(test.object)
        if given is None:
            continue
        name = OBJECT_NAMES.get(test.object, f"Identification object 0x{test.object:02X}")
        if test.passes(given):
            weight = {_VENDOR: 0.4, _PRODUCT: 0.7, _REVISION: 0.2}.get(test.object, 0.5)
            yield _Evidence(weight, 1.0, f"{name} is '{given}', as expected.")
        else:
            weight = -0.4 if test.object == _REVISION else -0.95  # another revision may still be the same type
            yield _Evidence(weight, 0, f"{name} is '{given}', where {test.words} was expected.")


def _registers(facts: Facts, profile: Profile) -> Iterator[_Evidence]:
    for test in profile.fingerprint.registers:
        key = (test.function, test.at.wire)
        if key not in facts.registers:
            continue
        value = facts.registers[key]
        what = f"Register {test.at} by function {test.function}" + (f", {test.meaning}," if test.meaning else "")
        if value is None:
            yield _Evidence(-0.9, 0, f"{what} was refused, but this type has it.")
        elif test.passes(value):
            yield _Evidence(_surprise(test, value), _REGISTERS_AT_MOST, f"{what} is {value}, as expected.")
        else:
            span = f"{test.lowest}" if test.lowest == test.highest else f"{test.lowest} to {test.highest}"
            masked = "" if test.mask == 0xFFFF else f" (masked with 0x{test.mask:04X})"
            yield _Evidence(-0.9, 0, f"{what} is {value}, where {span}{masked} was expected.")
    yield from _points(facts, profile)


def _points(facts: Facts, profile: Profile) -> Iterator[_Evidence]:
    """At most one piece of evidence each way, however many points there are: units are made alike."""
    refused = [point.name for point in profile.points if _was_refused(point, facts.registers)]
    if refused:
        yield _Evidence(-0.7, 0, f"Refused, but points of this type: {', '.join(refused)}.")
    read = readings(profile, facts.registers)
    absurd = [reading for reading in read if reading.plausible is False]
    if absurd:
        listed = ", ".join(f"{reading.point.name} {reading.text}" for reading in absurd)
        yield _Evidence(-0.4, 0, f"Not plausible: {listed}.")
    telling = [reading for reading in read if reading.plausible and any(reading.registers)]
    if telling:
        listed = ", ".join(f"{reading.point.name} {reading.text}" for reading in telling)
        yield _Evidence(min(0.1 * len(telling), 0.4), _PLAUSIBLE_AT_MOST, f"Plausible: {listed}.")


def _was_refused(point: Point, registers: Registers) -> bool:
    keys = ((point.function, point.at.wire + i) for i in range(point.count))
    return any(key in registers and registers[key] is None for key in keys)


def _at_delivery(facts: Facts, profile: Profile) -> Iterator[_Evidence]:
    if facts.settings == profile.factory.settings:
        yield _Evidence(0.15, _AT_DELIVERY_AT_MOST, f"{facts.settings} are its settings at delivery.")
    if facts.address == profile.factory.address:
        yield _Evidence(0.1, _AT_DELIVERY_AT_MOST, f"{facts.address} is its unit address at delivery.")


def _surprise(test: RegisterTest, value: int) -> float:
    """Weight of a register that fits: the less likely a unit of another type would have fitted, the more.

    Registers of strange units are taken to hold any order of magnitude with the same likelihood, since small numbers
    are far more common in register maps than large ones; 0 and FFFF are found anywhere.
    """
    shift = (test.mask & -test.mask).bit_length() - 1  # the mask's lowest bit
    highest, lowest, most = test.highest >> shift, test.lowest >> shift, test.mask >> shift
    likelihood = math.log2((highest + 2) / (lowest + 1)) / math.log2(most + 2)
    weight = min(0.6, max(0.02, -0.04 * math.log2(likelihood)))
    return min(0.1, weight) if value & test.mask in (0, test.mask) else weight

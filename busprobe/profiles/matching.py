"""Which profile a unit fits, how well and why.

Every fact that fits adds to a score between 0 and 1, as independent pieces of evidence do: the
score is 1 minus the product of what each leaves open.  A fact that contradicts multiplies it down.
How far a kind of evidence can carry is bounded: factory address and settings are shared by half of
all units, and plausible values are found in any register map, so neither alone lets anybody say
what a unit is.  A fact that was not asked for, or not answered, counts neither way.  A generic
profile, which names a standard and no type, never goes before a profile that may be recognised
itself. The weights are this program's own judgement; no standard gives any.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from busprobe.line.settings import LineSettings
from busprobe.modbus.identification import object_name
from busprobe.profiles.fingerprint import Fingerprint, RegisterTest, TextTest
from busprobe.profiles.read_requests import Block, Registers, known_registers
from busprobe.profiles.schema import Profile
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

_NEXT_TO_NOTHING = 0.01
"""Score below which a profile is as good as ruled out."""

_FAR_OFF = 0.1
"""Score below which it does not matter which profile is the second-best."""

_CONTRADICTION = -0.95
"""Weight of a text that is not as expected."""

_SHORT = 3
"""Expected texts below so many characters are found in the texts of many makers and carry half the
weight."""

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
    """Registers read."""
    refused: Collection[Block] = ()
    """Requests refused with exception 01, 02 or 03.  Silence is no refusal.  A block is refused for
    any register in it, so it says nothing of a profile that does not have all of them; and a value
    read outranks it."""
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
    """Sentences, one a fact: first what spoke for it, then what spoke against it, the weightiest
    first."""


def match(facts: Facts, profiles: Iterable[Profile]) -> tuple[Match, ...]:
    """How well each of `profiles` fits `facts`, best first; equals in the order of their ids,
    generic ones last."""
    matches = [_match(facts, profile) for profile in profiles]
    return tuple(sorted(matches, key=lambda m: (-m.score, m.profile.generic, m.profile.id)))


def recognised(matches: tuple[Match, ...]) -> Match | None:
    """The first of sorted `matches` if it is good enough to say "this is a ..." and no other comes
    close."""
    if not matches or matches[0].score < RECOGNISED:
        return None
    second = second_best(matches)
    return matches[0] if second is None or matches[0].score - second.score >= CLEAR_LEAD else None


def second_best(matches: tuple[Match, ...]) -> Match | None:
    """What comes closest to the first of sorted `matches`: generic profiles are rivals only to each
    other."""
    return next((m for m in matches[1:] if m.profile.generic == matches[0].profile.generic), None)


def standing(matches: tuple[Match, ...]) -> str:
    """In one sentence how far the best of sorted `matches` goes and how far behind the second-best
    is."""
    if not matches or matches[0].score < _NEXT_TO_NOTHING:
        return "Nothing that was seen speaks for any stored profile."
    best, second = matches[0], second_best(matches)
    if best.score < _FAR_OFF:
        return (
            f"No stored profile comes near: {best.profile} has {best.score:.2f} of the"
            f" {RECOGNISED:.2f} it takes."
        )
    if second is None or second.score < _NEXT_TO_NOTHING:
        behind = "no other profile comes near"
    else:
        behind = (
            f"the next best, {second.profile} with {second.score:.2f}, is"
            f" {best.score - second.score:.2f} behind"
        )
    if best.score < RECOGNISED:
        return (
            f"{best.profile} fits best with {best.score:.2f}, short of the {RECOGNISED:.2f} it"
            f" takes; {behind}."
        )
    if recognised(matches) is None and second is not None:
        return (
            f"{best.profile} with {best.score:.2f} and {second.profile} with {second.score:.2f} fit"
            " too much alike to tell which it is."
        )
    return f"{best.profile} fits with {best.score:.2f} of 1; {behind}."


def contradicted(facts: Facts, profile: Profile) -> bool:
    """Whether what the unit says of itself rules `profile` out, whatever its registers hold."""
    return any(evidence.weight <= _CONTRADICTION for evidence in _texts(facts, profile.fingerprint))


@dataclass(frozen=True)
class _Evidence:
    """One fact held against one expectation."""

    weight: float
    """For: how much of the doubt it takes away (above 0).  Against: minus the part of the score it
    takes away."""
    at_most: float
    """Bound of the score if this is the strongest kind of evidence there is."""
    reason: str


def _match(facts: Facts, profile: Profile) -> Match:
    evidence = [
        *_texts(facts, profile.fingerprint),
        *_registers(facts, profile),
        *_at_delivery(facts, profile),
    ]
    pro = sorted((e for e in evidence if e.weight > 0), key=lambda e: -e.weight)
    contra = sorted((e for e in evidence if e.weight < 0), key=lambda e: e.weight)
    score = 1 - math.prod(1 - e.weight for e in pro)
    score = min(score, max((e.at_most for e in pro), default=0.0))
    score *= math.prod(1 + e.weight for e in contra)
    if profile.generic:
        score = min(score, RECOGNISED)
    return Match(profile, round(score, 3), tuple(e.reason for e in (*pro, *contra)))


def _texts(facts: Facts, fingerprint: Fingerprint) -> Iterator[_Evidence]:
    if fingerprint.server_id is not None and facts.server_id is not None:
        if fingerprint.server_id.passes(facts.server_id):
            weight = 0.75 * _length_counts(fingerprint.server_id)
            yield _Evidence(weight, 1.0, f"Server id is '{facts.server_id}', as expected.")
        else:
            yield _Evidence(
                _CONTRADICTION,
                0,
                f"Server id is '{facts.server_id}', where {fingerprint.server_id.words} was"
                " expected.",
            )
    for test in fingerprint.objects:
        given = (facts.identification or {}).get(test.object)
        if given is None:
            continue
        name = object_name(test.object)
        name = name[0].upper() + name[1:]
        if test.passes(given):
            weight = {_VENDOR: 0.4, _PRODUCT: 0.7, _REVISION: 0.2}.get(
                test.object, 0.5
            ) * _length_counts(test)
            yield _Evidence(weight, 1.0, f"{name} is '{given}', as expected.")
        else:
            weight = (
                -0.4 if test.object == _REVISION else _CONTRADICTION
            )  # another revision may still be the same type
            yield _Evidence(weight, 0, f"{name} is '{given}', where {test.words} was expected.")


def _length_counts(test: TextTest) -> float:
    expected = test.equals or test.starts_with or test.contains or ""
    return 1.0 if len(expected) >= _SHORT else 0.5


def _registers(facts: Facts, profile: Profile) -> Iterator[_Evidence]:
    refused = _refused(facts, profile)
    for test in profile.fingerprint.registers:
        key = (test.function, test.at.wire)
        value = facts.registers.get(key)
        if value is None and key not in refused:
            continue
        what = f"Register {test.at} by function {test.function}" + (
            f", {test.meaning}," if test.meaning else ""
        )
        if value is None:
            yield _Evidence(-0.9, 0, f"{what} was refused, but this type has it.")
        elif test.passes(value):
            yield _Evidence(
                _surprise(test, value), _REGISTERS_AT_MOST, f"{what} is {value}, as expected."
            )
        else:
            span = (
                f"{test.lowest}"
                if test.lowest == test.highest
                else f"{test.lowest} to {test.highest}"
            )
            masked = "" if test.mask == 0xFFFF else f" (masked with 0x{test.mask:04X})"
            yield _Evidence(-0.9, 0, f"{what} is {value}, where {span}{masked} was expected.")
    yield from _points(facts, profile, refused)


def _refused(facts: Facts, profile: Profile) -> frozenset[tuple[int, int]]:
    """Registers of `profile` that the unit refused."""
    own = known_registers(profile)
    keys = (key for block in facts.refused if own.issuperset(block.keys) for key in block.keys)
    return frozenset(key for key in keys if key not in facts.registers)


def _points(
    facts: Facts, profile: Profile, refused: frozenset[tuple[int, int]]
) -> Iterator[_Evidence]:
    """At most one piece of evidence each way, however many points there are: units are made
    alike."""
    missing = [
        point.name
        for point in profile.points
        if not refused.isdisjoint(Block(point.function, point.at.wire, point.count).keys)
    ]
    if missing:
        yield _Evidence(-0.7, 0, f"Refused, but points of this type: {', '.join(missing)}.")
    read = readings(profile, facts.registers)
    absurd = [reading for reading in read if reading.plausible is False]
    if absurd:
        listed = ", ".join(f"{reading.point.name} {reading.text}" for reading in absurd)
        yield _Evidence(-0.4, 0, f"Not plausible: {listed}.")
    telling = [reading for reading in read if reading.plausible and any(reading.registers)]
    if telling:
        listed = ", ".join(f"{reading.point.name} {reading.text}" for reading in telling)
        yield _Evidence(min(0.1 * len(telling), 0.4), _PLAUSIBLE_AT_MOST, f"Plausible: {listed}.")


def _at_delivery(facts: Facts, profile: Profile) -> Iterator[_Evidence]:
    if profile.factory is None:
        return
    if facts.settings == profile.factory.settings:
        yield _Evidence(
            0.15, _AT_DELIVERY_AT_MOST, f"{facts.settings} are its settings at delivery."
        )
    if facts.address == profile.factory.address:
        yield _Evidence(
            0.1, _AT_DELIVERY_AT_MOST, f"{facts.address} is its unit address at delivery."
        )


def _surprise(test: RegisterTest, value: int) -> float:
    """Weight of a register that fits: the less likely a unit of another type would have fitted, the
    more.

    Registers of strange units are taken to hold any order of magnitude with the same likelihood,
    since small numbers are far more common in register maps than large ones; 0 and FFFF are found
    anywhere.
    """
    shift = (test.mask & -test.mask).bit_length() - 1  # the mask's lowest bit
    highest, lowest, most = test.highest >> shift, test.lowest >> shift, test.mask >> shift
    likelihood = math.log2((highest + 2) / (lowest + 1)) / math.log2(most + 2)
    weight = min(0.6, max(0.02, -0.04 * math.log2(likelihood)))
    return min(0.1, weight) if value & test.mask in (0, test.mask) else weight

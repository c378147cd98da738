"""What a survey misses: random buses on the virtual segment, surveyed for real in simulated time.

Run by hand: ``python -m tests.benchmarks.survey --buses 5000 --clashes 5000``.

A bus has `UNITS` units at random addresses among `ADDRESSES`, more densely than on site, so that
late replies meet requests and each other more often.  What is drawn for each unit:

* its reply delay, log-uniform from 3 ms to 1.5 s, and a jitter of up to a tenth of it;
* what it answers (`KINDS`): most refuse what they do not know, some stay silent on it;
* one in five sleeps after 0.5 to 30 s of silence and does not answer the request that wakes it;
* one in five is moody: 5 to 30 % of its replies come 190 ms later.

A clash is two units at one address, of the same type in three of ten, with delays up to 1 s, in
half of the cases alike within a fifth, and a jitter of up to three tenths.

These shares are assumptions, not measured ones.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from random import Random

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.events import Finished
from busprobe.survey.findings import Kind
from busprobe.survey.survey import Survey
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario, UnitEntry, UnitType
from busprobe.virtual.segment import Segment

SETTINGS = LineSettings.parse("9600-8N1")
ADDRESSES = range(1, 49)
UNITS = 6
CLASH_AT = 20
_LEAST_DELAY = 0.003
"""Seconds."""


def _register(at: int) -> dict[str, object]:
    return {"name": f"r{at}", "at": at, "type": "uint16", "value": at}


def _kind(functions: Sequence[int], *holding: int, silent: bool = True) -> UnitType:
    return UnitType.model_validate(
        {
            "maker": "Invented",
            "model": "R",
            "settings": str(SETTINGS),
            "functions": list(functions),
            "errors": "silence" if silent else "exception",
            "holding": [
                {"name": f"r{at}", "at": at, "type": "uint16", "value": at} for at in holding
            ],
            "input": [
                {"name": f"r{at}", "at": at, "type": "uint16", "value": at} for at in range(2)
            ],
            "server_id": "R",
        }
    )


KINDS: Mapping[str, tuple[UnitType, int]] = {
    "refuses": (_kind((3, 4, 6, 16), 0, 1, 2, silent=False), 12),
    "holding": (_kind((3, 6), 0, 1, 2), 4),
    "two": (_kind((3,), 0, 1), 2),
    "input": (_kind((4,)), 1),
    "says": (_kind((17,)), 1),
}
"""Types by name, with their weights in the draw."""


def random_bus(number: int) -> Scenario:
    """The bus of this number: always the same one."""
    chance = Random(number)  # noqa: S311 - the same again is what is wanted
    kinds = chance.choices(list(KINDS), [weight for _, weight in KINDS.values()], k=UNITS)
    units = []
    for address, kind in zip(chance.sample(ADDRESSES, UNITS), kinds, strict=True):
        delay = _delay(chance, 1.5)
        units.append(
            UnitEntry(
                name=f"u{address}",
                type=kind,
                address=address,
                latency=delay,
                jitter=delay * chance.uniform(0, 0.1),
                sleeps_after=chance.uniform(0.5, 30) if chance.random() < 0.2 else None,
                late=chance.uniform(0.05, 0.3) if chance.random() < 0.2 else 0.0,
            )
        )
    types = {name: kind for name, (kind, _) in KINDS.items()}
    return Scenario(title="random", seed=number, types=types, units=tuple(units))


def random_clash(number: int) -> Scenario:
    """The two units of this number at `CLASH_AT`: always the same ones."""
    chance = Random(-number - 1)  # noqa: S311 - the same again is what is wanted
    types = {
        **load_scenario("full").types,
        "refuses": KINDS["refuses"][0],
        "holding": KINDS["holding"][0],
    }
    names = ("refuses", "holding", "dx-8", "at-10", "ef-5", "fq-3", "cd-2", "bm-330")
    first, second = chance.choice(names), chance.choice(names)
    delay = _delay(chance, 1.0)
    alike = chance.random() < 0.5
    other = delay * chance.uniform(0.8, 1.2) if alike else _delay(chance, 1.0)
    pair = ((first, delay), (first if chance.random() < 0.3 else second, other))
    units = tuple(
        UnitEntry(
            name=f"u{n}",
            type=kind,
            serial=f"S{n}",
            address=CLASH_AT,
            settings=SETTINGS,
            latency=latency,
            jitter=latency * chance.uniform(0, 0.3),
        )
        for n, (kind, latency) in enumerate(pair)
    )
    return Scenario(title="clash", seed=number, types=types, units=units)


def _delay(chance: Random, most: float) -> float:
    return math.exp(chance.uniform(math.log(_LEAST_DELAY), math.log(most)))


@dataclass(frozen=True)
class Tally:
    """What surveys of many buses came to."""

    there: int = 0
    """Units, or clashes."""
    missed: int = 0
    wrong: int = 0
    """Found, but not as what they are."""
    invented: int = 0
    """Findings where no unit is."""
    seconds: float = 0.0

    def __add__(self, other: Tally) -> Tally:
        return Tally(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))


def surveyed(scenario: Scenario, addresses: Sequence[int], kind: Kind) -> Tally:
    """What a survey of `addresses` makes of a bus where `kind` is at each address that has a
    unit."""
    segment = Segment(scenario, VirtualClock())
    line = Line(segment.port("virtual:random"), SETTINGS)
    *_, end = Survey(line, [SETTINGS], addresses)
    assert isinstance(end, Finished)
    there = {unit.address for unit in segment.units}
    found = {finding.address: finding.kind for finding in end.result.findings}
    return Tally(
        there=len(there),
        missed=len(there - found.keys()),
        wrong=sum(found.get(address, kind) is not kind for address in there),
        invented=len(found.keys() - there),
        seconds=end.result.seconds,
    )


def main(buses: int, clashes: int) -> None:
    """Survey so many and print what was missed."""
    if buses:
        tally = sum((surveyed(random_bus(n), ADDRESSES, Kind.UNIT) for n in range(buses)), Tally())
        print(
            f"{buses} random buses, {tally.there} units:"
            f" {_share(tally.missed, tally.there)} missed;"
            f" {tally.wrong} unsure or taken for a clash, {tally.invented} invented;"
            f" {tally.seconds / buses:.1f} s each"
        )
    if clashes:
        near = range(CLASH_AT - 2, CLASH_AT + 4)
        tally = sum((surveyed(random_clash(n), near, Kind.CLASH) for n in range(clashes)), Tally())
        print(
            f"{clashes} random clashes: {_share(tally.missed + tally.wrong, tally.there)} not told"
            f" as such; {tally.invented} invented; {tally.seconds / clashes:.1f} s each"
        )


def _share(count: int, of: int) -> str:
    return (
        f"{count} ({100 * count / of:.2f} %, at most {100 * upper_bound(count, of):.2f} % with 95 %"
        " confidence, one-sided Clopper-Pearson)"
    )


def upper_bound(missed: int, asked: int, confidence: float = 0.95) -> float:
    """The upper limit of a share of which `missed` of `asked` were seen: one-sided, exact (C. J.
    Clopper and E. S. Pearson, Biometrika 26, 1934).

    Where none was missed it is about 3 / `asked` at 95 % (the rule of three).
    """
    low, high = missed / asked, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if _at_most(missed, asked, middle) > 1 - confidence else (low, middle)
        )
    return high


def _at_most(count: int, of: int, share: float) -> float:
    """How likely at most `count` of `of` happen, each with probability `share` (binomial)."""
    if not 0 < share < 1:
        return 1.0 if share <= 0 or count >= of else 0.0
    return sum(
        math.exp(
            math.lgamma(of + 1)
            - math.lgamma(n + 1)
            - math.lgamma(of - n + 1)
            + n * math.log(share)
            + (of - n) * math.log1p(-share)
        )
        for n in range(count + 1)
    )

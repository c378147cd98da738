"""What a survey makes of units beside another master: random masters on the virtual segment.

Run by hand: ``python -m tests.benchmarks.survey --masters 500``.

Three to six units of shipped types at random addresses among `ADDRESSES`, all at 9600-8N1, with
reply delays from 3 to 100 ms.  What is drawn of the master:

* its line settings: those of the units in six of ten, others of common use else;
* its interval, log-uniform from 60 ms to 3 s, how far that varies, and a pause after each round;
* one to five polls of units that are there or, in one of three, of ones that are not;
* whether it waits for silence before it sends, and for how long.

The adapter delivers in bursts in one of three.  These shares are assumptions, not measured ones.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from random import Random
from typing import Any

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.survey.events import Finished, OtherMasterHeard
from busprobe.survey.findings import Kind, SurveyResult
from busprobe.survey.survey import Survey
from busprobe.virtual.schema import Scenario
from busprobe.virtual.segment import Segment
from tests.benchmarks.random_buses import SETTINGS
from tests.virtual.bench import scenario

ADDRESSES = range(1, 41)
_TYPES = ("at-10", "bm-330", "cd-2", "dx-8", "ef-5", "fq-3")
_OTHER_SETTINGS = ("19200-8E1", "9600-8E1", "19200-8N1", "4800-8N1", "38400-8N1")


def random_master(number: int) -> Scenario:
    """The bus of this number: always the same one."""
    chance = Random(number)  # noqa: S311 - the same again is what is wanted
    there = chance.sample(ADDRESSES, chance.randint(3, 6))
    units: list[dict[str, Any]] = []
    for address in there:
        latency = _log_uniform(chance, 0.003, 0.1)
        units.append(
            {
                "name": f"u{address}",
                "type": chance.choice(_TYPES),
                "address": address,
                "latency": latency,
                "jitter": latency * chance.uniform(0, 0.2),
            }
        )
    polls = [
        {
            "address": chance.choice(there if chance.random() < 2 / 3 else ADDRESSES),
            "function": chance.choice((3, 4)),
            "at": chance.choice((0, 1, 10)),
            "count": chance.choice((1, 2, 6, 20)),
        }
        for _ in range(chance.randint(1, 5))
    ]
    period = _log_uniform(chance, 0.06, 3.0)
    master = {
        "settings": str(SETTINGS) if chance.random() < 0.6 else chance.choice(_OTHER_SETTINGS),
        "period": period,
        "jitter": chance.choice((0.0, 0.05, 0.3)) * period,
        "pause": chance.choice((0.0, 0.0, 1.0, 3.0)) * period,
        "waits_for_silence": chance.choice((None, None, 0.004, 0.02)),
        "start": chance.uniform(0, period),
        "polls": polls,
    }
    adapter = {"lump": chance.choice((0.0, 0.0, 0.016))}
    return scenario(*units, other_master=master, adapter=adapter, seed=number)


def _log_uniform(chance: Random, least: float, most: float) -> float:
    return math.exp(chance.uniform(math.log(least), math.log(most)))


def surveyed(bus: Scenario) -> SurveyResult:
    """What a survey shows that goes on despite the other master."""
    line = Line(Segment(bus, VirtualClock()).port("virtual:random"), SETTINGS)
    survey = Survey(line, [SETTINGS], ADDRESSES)
    for event in survey:
        if isinstance(event, OtherMasterHeard):
            survey.go_on()
        elif isinstance(event, Finished):
            return event.result
    raise AssertionError("a survey ends with Finished")


def mistakes(bus: Scenario, result: SurveyResult) -> Iterator[str]:
    """What `result` says that is not so."""
    there = {unit.address for unit in bus.units}
    for finding in result.findings:
        if finding.kind is Kind.CLASH:
            yield f"{finding.address} is no clash"
        elif finding.address not in there and finding.kind is Kind.UNIT:
            yield f"no unit has the address {finding.address}"
    missed = there - {finding.address for finding in result.findings}
    left = {address for untested in result.untested for address in untested.addresses}
    for address in sorted(filter(None, missed - left)):
        yield f"{address} was missed and counts as asked"


def main(count: int) -> None:
    """Survey so many and print what is wrong."""
    wrong = 0
    doubts = 0
    complete = 0
    seconds = []
    for number in range(count):
        bus = random_master(number)
        result = surveyed(bus)
        seconds.append(result.seconds)
        complete += result.complete
        doubts += sum(finding.kind is Kind.UNSURE for finding in result.findings)
        said = list(mistakes(bus, result))
        if said:
            wrong += 1
            print(f"master {number} ({result.seconds:.0f} s): {'; '.join(said)}")
    print(
        f"{count} random masters: {wrong} surveys with a mistake, {doubts} findings unsure,"
        f" {complete} complete; {sum(seconds) / count:.0f} s each, {max(seconds):.0f} s at most"
    )

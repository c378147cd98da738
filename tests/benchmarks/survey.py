"""How long a survey takes, against the wire's own limit and against plain loops with two
general-purpose libraries.

Run by hand: ``python -m tests.benchmarks.survey``; with ``--buses 5000 --clashes 5000`` it surveys
random buses instead and says what was missed (see `tests.benchmarks.random_buses`), with
``--masters 500`` ones that have another master (`tests.benchmarks.random_masters`).  Everything is
in simulated time on the virtual segment, so the figures do not depend on the computer; the last
line is in real time.

*estimated* is what is said before the start: for nobody, and with what it says each unit adds, for
those there are.

*limit* is what the wire itself takes for the probes the survey sent: each request, then the reply
and the silence behind it or, where none came, the reply wait; and the listening that belongs to it.
A *plain loop* asks every address at every setting once for holding register 0, with one try and the
wait given.
"""

from __future__ import annotations

import argparse
import logging
import statistics
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import cast
from unittest import mock

import minimalmodbus
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusException
from serial import Serial

from busprobe.line.clock import Clock, SystemClock, VirtualClock
from busprobe.line.exchange import Ending, Exchange, Heard, RequestFrame, Waits
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.line.timing import exchange_time
from busprobe.modbus.addresses import ALL
from busprobe.survey.estimate import Estimate
from busprobe.survey.events import Finished, Found, Started
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Asking
from busprobe.survey.schedule import common_settings
from busprobe.survey.survey import Survey
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from tests.benchmarks import random_buses, random_masters
from tests.benchmarks.simulated_serial import SimulatedSerial, SimulatedTime

KNOWN = (LineSettings.parse("9600-8N1"),)
PATIENT, HASTY = 1.0, 0.2
"""Reply waits of the plain loops in seconds: one that finds slow units, and one that does not."""


@dataclass(frozen=True)
class Case:
    """One bus to survey."""

    title: str
    scenario: Scenario
    settings: tuple[LineSettings, ...] = KNOWN

    def segment(self, clock: Clock) -> Segment:
        return Segment(self.scenario, clock)


def bus(*units: Mapping[str, object]) -> Scenario:
    """A clean pair with `units`, each at 9600-8N1 unless it says otherwise."""
    entries = tuple(
        UnitEntry.model_validate(
            {
                "name": f"unit-{i}",
                "type": "dx-8",
                "serial": f"S{i}",
                "settings": str(KNOWN[0]),
                **unit,
            }
        )
        for i, unit in enumerate(units)
    )
    return load_scenario("full").model_copy(update={"units": entries})


def cases() -> Iterable[Case]:
    six = [{"address": address} for address in (3, 17, 42, 101, 150, 222)]
    yield Case("6 units, one known setting", bus(*six))
    for baud in (1200, 115200):
        settings = LineSettings.parse(f"{baud}-8N1")
        units = ({**unit, "settings": str(settings)} for unit in six)
        yield Case(f"6 units at {baud} baud", bus(*units), (settings,))
    spread = ("9600-8N1", "19200-8E1", "9600-8N1", "19200-8E1", "38400-8N1", "38400-8N1")
    places = list(zip((1, 17, 5, 42, 2, 150), spread, strict=True))
    for count in (3, 8, 32):
        searched = common_settings()[: count - 1]
        searched = tuple(dict.fromkeys((*searched, *map(LineSettings.parse, spread))))
        there = ({"address": a, "settings": s} for a, s in places)
        yield Case(f"6 units at three of {count} settings", bus(*there), searched[:count])
    rare = zip(
        (57, 44, 203, 91, 236, 118),
        ("9600-8E1", "38400-8N1", "38400-8N1", "115200-8O1", "4800-8E1", "4800-8E1"),
        strict=True,
    )
    yield Case(
        "6 units at four of 32 settings, at addresses and settings not asked first",
        bus(*({"address": a, "settings": s} for a, s in rare)),
        common_settings(),
    )
    yield Case(
        "32 units, one known setting", bus(*({"address": address} for address in range(1, 33)))
    )
    yield Case("247 units, one known setting", bus(*({"address": address} for address in ALL)))
    yield Case("6 units, one of them moody", bus(*six[:5], {"address": 222, "late": 0.2}))
    yield Case("6 units, one of them slow", bus(*six[:5], {"address": 222, "latency": 0.8}))
    yield Case("6 units, two of them clash", bus(*six[:5], {"address": 3, "type": "at-10"}))


class CountingLine(Line):
    """Adds up what the wire itself takes for everything that is asked."""

    limit = 0.0
    exchanges = 0

    def exchange(self, request: RequestFrame, waits: Waits) -> Exchange:
        done = super().exchange(request, waits)
        behind = waits.after if done.ending is Ending.LENGTH else waits.silence
        self.limit += exchange_time(
            self.settings,
            len(request.frame),
            len(done.received),
            done.latency if done.chunks else waits.reply,
            max(0.0, behind - self.settings.t3_5) if done.chunks else 0.0,
        )
        self.exchanges += 1
        return done

    def listen(self, seconds: float) -> Heard:
        self.limit += seconds
        return super().listen(seconds)


@dataclass
class Run:
    """What a survey took."""

    seconds: float
    finds: tuple[float, ...]
    """Seconds until each unit was found."""
    limit: float
    estimate: Estimate
    usual: float
    """Seconds until coils and inputs were asked for, last of all."""
    exchanges: int
    units: int
    right: bool

    @property
    def last_find(self) -> float:
        return max(self.finds, default=0.0)


def run(case: Case, clock: Clock, addresses: Sequence[int] = ALL) -> Run:
    segment = case.segment(clock)
    line = CountingLine(segment.port("virtual:benchmark"), case.settings[0])
    begin = clock.now()
    finds: list[float] = []
    estimate = Estimate(0.0, 0, 0.0)
    usual = 0.0
    found: dict[tuple[int, LineSettings], Kind] = {}
    for event in Survey(line, case.settings, addresses):
        match event:
            case Started():
                estimate = event.estimate
            case Found(finding) if (finding.address, finding.settings) not in found:
                found[finding.address, finding.settings] = finding.kind
                finds.append(clock.now() - begin)
            case Asking(request=request) if request.function.reads_bits and not usual:
                usual = clock.now() - begin
            case Finished(result):
                found = {(f.address, f.settings): f.kind for f in result.findings}
    truth: dict[tuple[int, LineSettings], Kind] = {}
    for unit in segment.units:
        at = unit.address, unit.settings
        if unit.address in addresses:
            truth[at] = Kind.CLASH if at in truth else Kind.UNIT
    return Run(
        clock.now() - begin,
        tuple(finds),
        line.limit,
        estimate,
        usual,
        line.exchanges,
        len(segment.units),
        found == truth,
    )


Present = Callable[[SimulatedSerial, LineSettings, int], bool]


def plain_loop(case: Case, wait: float, present: Present) -> tuple[float, int]:
    """Seconds a plain loop takes, and how many units it finds."""
    clock = VirtualClock()
    port = case.segment(clock).port("virtual:benchmark")
    simulated = SimulatedTime(port)
    minimalmodbus._latest_read_times.clear()  # it remembers other runs
    found = 0
    with (
        mock.patch.object(minimalmodbus, "time", simulated),
        mock.patch("pymodbus.client.serial.time", simulated),
        mock.patch("pymodbus.transaction.transaction.monotonic", simulated.monotonic),
    ):
        for settings in case.settings:
            serial = SimulatedSerial(port, settings, wait)
            found += sum(present(serial, settings, address) for address in ALL)
    return clock.now(), found


def with_pymodbus(serial: SimulatedSerial, settings: LineSettings, address: int) -> bool:
    client = ModbusSerialClient(
        "simulated", baudrate=settings.baud, timeout=serial.timeout, retries=0
    )
    client.socket = cast(Serial, serial)
    try:
        client.read_holding_registers(0, count=1, device_id=address)
    except ModbusException:
        return False
    return True


def with_minimalmodbus(serial: SimulatedSerial, _settings: LineSettings, address: int) -> bool:
    try:
        minimalmodbus.Instrument(serial, address).read_register(0)
    except minimalmodbus.SlaveReportedException:
        return True
    except minimalmodbus.ModbusException:
        return False
    return True


LOOPS: dict[str, Present] = {"pymodbus": with_pymodbus, "minimalmodbus": with_minimalmodbus}


def main() -> None:
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    for case in cases():
        begun = time.monotonic()
        survey = run(case, VirtualClock())
        print(f"\n{case.title}: findings {'as they are' if survey.right else 'WRONG'}")
        print(
            f"  complete after {survey.seconds:.0f} s ({survey.exchanges} exchanges), units found"
            f" after {survey.finds[0]:.1f} s (first), {statistics.median(survey.finds):.1f} s"
            f" (median), {survey.last_find:.1f} s (last)"
        )
        said = survey.estimate
        places = len({unit.settings for unit in case.scenario.units})
        with_units = said.seconds + survey.units * said.each + places * said.thorough
        print(
            f"  estimated {said.seconds:.0f} s for nobody, {with_units:.0f} s for {survey.units}"
            f" units at {places} settings: {100 * (with_units / survey.seconds - 1):+.0f} %"
        )
        print(f"  {survey.usual:.0f} s until nothing but coils and inputs was left")
        print(
            f"  {survey.seconds / survey.limit:.3f} of the wire's own limit ({survey.limit:.0f} s)"
        )
        for name, present in LOOPS.items():
            for wait in (HASTY, PATIENT):
                seconds, count = plain_loop(case, wait, present)
                print(
                    f"  plain loop, {name}, wait {wait} s: {seconds:.0f} s, {count} answers; survey"
                    f" {survey.seconds / seconds:.2f} of it, all found in"
                    f" {survey.last_find / seconds:.3f}"
                )
        print(f"  (computed in {time.monotonic() - begun:.1f} s)")
    case = Case("real time", bus({"address": 3}, {"address": 17}))
    survey = run(case, SystemClock(), range(1, 31))
    print(
        f"\nin real time, addresses 1-30: {survey.seconds / survey.limit:.3f} of the limit"
        f" ({survey.limit:.1f} s)"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--buses", type=int, default=0)
    parser.add_argument("--clashes", type=int, default=0)
    parser.add_argument("--masters", type=int, default=0)
    given = parser.parse_args()
    if given.masters:
        random_masters.main(given.masters)
    if given.buses or given.clashes:
        random_buses.main(given.buses, given.clashes)
    elif not given.masters:
        main()

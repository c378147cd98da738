"""How long the polling table and the endurance run take, against the wire's own limit and against
plain loops.

Run by hand: ``python -m tests.benchmarks.polling``.  Everything is in simulated time on the virtual
segment, so the figures do not depend on the computer; the last line is in real time.

*limit* is what the wire itself takes for what was sent: each request, the time the unit takes, its
reply and the silence behind it.  A *plain loop* reads every point by a request of its own with a
general-purpose library, and each gets its reply at once when it is there.
"""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import cast
from unittest import mock

import minimalmodbus
from pymodbus.client import ModbusSerialClient
from serial import Serial

from busprobe.handover.bus_list import PointRow
from busprobe.handover.known_bus import polling_of
from busprobe.job.job import Job
from busprobe.job.records import PollResult
from busprobe.line.clock import Clock, SystemClock, VirtualClock
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import ALL
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.prove.endurance import PollTarget, RunFinished, RunPlan, endure, table_targets
from busprobe.prove.polling_table import PollingTable
from busprobe.prove.proof import Proof
from busprobe.session.connect import Connector
from busprobe.session.session import Session
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.benchmarks.simulated_serial import SimulatedSerial, SimulatedTime
from tests.benchmarks.survey import CountingLine

BUSES = {"clean": LineSettings.parse("9600-8N1"), "full": LineSettings.parse("19200-8E1")}
"""Scenarios and the line settings of all their units."""
ROUNDS = 20
WAIT = 1.0
"""Reply wait of the plain loops in seconds."""


def known_bus(scenario: str, settings: LineSettings) -> tuple[PollingTable, tuple[PointRow, ...]]:
    """The polling table of a bus that was surveyed and identified, and its points."""
    with tempfile.TemporaryDirectory() as folder, Job.create(Path(folder) / "a.busjob") as job:
        connector = Connector(virtual_clock=VirtualClock())
        session = Session(job, load_all([shipped_folder()]), connector=connector)
        session.open(f"virtual:{scenario}", settings)
        for _ in session.survey([settings], ALL):
            pass
        for unit in job.units():
            session.identify(unit.place)
        for _ in session.prove(rounds=ROUNDS):
            pass  # the units' reply times
        for _ in session.try_polling(1):
            pass  # what they refuse
        listed = session.bus_list()
        session.close()
        return polling_of(listed).table, listed.points


def run(
    scenario: str, targets: Sequence[PollTarget], clock: Clock, rounds: int = ROUNDS
) -> tuple[Proof, float]:
    """Poll on a fresh segment: the proof, and the wire's own limit in seconds."""
    line = CountingLine(
        Segment(load_scenario(scenario), clock).port("virtual:benchmark"), targets[0].place.settings
    )
    for event in endure(line, targets, RunPlan(rounds=rounds)):
        if isinstance(event, RunFinished):
            proof = event.proof
    return proof, line.limit


Read = Callable[[SimulatedSerial, PointRow], object]


def with_pymodbus(serial: SimulatedSerial, point: PointRow) -> object:
    client = ModbusSerialClient(
        "simulated", baudrate=serial.baudrate, timeout=serial.timeout, retries=0
    )
    client.socket = cast(Serial, serial)
    read = client.read_holding_registers if point.function == 3 else client.read_input_registers
    return read(point.register, count=point.count, device_id=point.address)


def with_minimalmodbus(serial: SimulatedSerial, point: PointRow) -> object:
    return minimalmodbus.Instrument(serial, point.address).read_registers(
        point.register, point.count, point.function
    )


LOOPS: dict[str, Read] = {"pymodbus": with_pymodbus, "minimalmodbus": with_minimalmodbus}


def plain_loop(
    scenario: str, settings: LineSettings, points: Iterable[PointRow], read: Read
) -> float:
    """Seconds that one cycle takes which reads point by point."""
    port = Segment(load_scenario(scenario), VirtualClock()).port("virtual:benchmark")
    simulated = SimulatedTime(port)
    minimalmodbus._latest_read_times.clear()  # it remembers other runs
    with (
        mock.patch.object(minimalmodbus, "time", simulated),
        mock.patch("pymodbus.client.serial.time", simulated),
        mock.patch("pymodbus.transaction.transaction.monotonic", simulated.monotonic),
    ):
        serial = SimulatedSerial(port, settings, WAIT)
        begun = port.clock.now()
        for point in points:
            read(serial, point)
        return port.clock.now() - begun


def main() -> None:
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
    for scenario, settings in BUSES.items():
        table, points = known_bus(scenario, settings)
        targets = table_targets(table)
        proof, limit = run(scenario, targets, VirtualClock())
        cycle = proof.seconds / proof.rounds
        print(
            f"\n{scenario}: {len(points)} points of {len(targets)} units in {len(table.rows)}"
            " requests"
        )
        unread = proof.polls - sum(unit.count(PollResult.OK) for unit in proof.units)
        print(
            f"  {unread} of {proof.polls} polls brought no values; {proof.seconds / limit:.3f} of"
            " the wire's own limit"
        )
        print(
            f"  cycle {1000 * cycle:.0f} ms, computed {1000 * table.cycle_s:.0f} ms"
            f" ({cycle / table.cycle_s:.3f} of it)"
        )
        for name, read in LOOPS.items():
            seconds = plain_loop(scenario, settings, points, read)
            print(
                f"  plain loop, {name}, point by point: {1000 * seconds:.0f} ms; the table"
                f" {cycle / seconds:.2f} of it"
            )
    table, _ = known_bus("clean", BUSES["clean"])
    proof, limit = run("clean", table_targets(table), SystemClock(), rounds=5)
    print(f"\nin real time: {proof.seconds / limit:.3f} of the limit ({limit:.1f} s)")


if __name__ == "__main__":
    main()

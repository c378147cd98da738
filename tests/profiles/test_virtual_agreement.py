"""The shipped profiles against units of their types on the virtual segment, which were written from the same maps."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, Request, read_device_identification, read_registers, report_server_id
from busprobe.profiles.matching import Facts, match, recognised
from busprobe.profiles.plan import blocks, fingerprint_blocks
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.profiles.values import readings
from busprobe.virtual.loading import load_scenario, shipped_types
from busprobe.virtual.segment import Segment
from busprobe.virtual.unit import Unit

PROFILES = load_all([shipped_folder()]).profiles
BY_MODEL = {(profile.maker, profile.model): profile for profile in PROFILES.values()}
TYPES = sorted(shipped_types())


class Bench:
    """One unit of a type, on a line."""

    def __init__(self, line: Line, unit: Unit) -> None:
        self.line = line
        self.unit = unit

    def ask(self, request: Request) -> Reply:
        return judge(request, self.line.exchange(request, Waits()))

    def read(self, function: int, register: int, count: int) -> Reply:
        return self.ask(read_registers(self.unit.address, Function(function), register, count))


@pytest.fixture(params=TYPES)
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    scenario = load_scenario("full")
    entry = next(entry for entry in scenario.units if entry.type == request.param)
    alone = scenario.model_copy(update={"units": (entry,)})
    segment = Segment(alone, VirtualClock())
    with Line(segment.port(), segment.units[0].settings) as line:
        yield Bench(line, segment.units[0])


@pytest.mark.parametrize("name", TYPES)
def test_profiles_say_how_units_come_and_how_they_are_readdressed(name: str) -> None:
    kind = shipped_types()[name]
    profile = BY_MODEL[kind.maker, kind.model]
    assert (profile.factory.address, profile.factory.settings) == (kind.address, kind.settings)
    assert profile.readdress is not None
    assert kind.readdress is not None
    assert profile.readdress.at.wire == kind.readdress.at
    assert profile.readdress.function in kind.readdress.functions
    assert str(profile.readdress.effect) == kind.readdress.effect
    assert str(profile.readdress.reply_from) == kind.readdress.reply_from
    assert (profile.readdress.addresses[0], profile.readdress.addresses[-1]) == (
        kind.readdress.lowest,
        kind.readdress.highest,
    )
    assert profile.readdress.wait_s >= kind.readdress.restart


def test_a_unit_reads_the_values_it_has_and_they_are_plausible(bench: Bench) -> None:
    kind = bench.unit.kind
    profile = BY_MODEL[kind.maker, kind.model]
    registers: dict[tuple[int, int], int | None] = {}
    for block in blocks(profile):
        registers.update(block.answered(bench.read(block.function, block.register, block.count).registers))
    found = readings(profile, registers)
    assert len(found) == len(profile.points)
    truth = {(3, value.at): value for value in kind.holding} | {(4, value.at): value for value in kind.input}
    for reading in found:
        value = truth[reading.point.function, reading.point.at.wire]
        assert isinstance(reading.value, int | float)
        assert not isinstance(value.value, str)
        assert abs(reading.value - value.value) <= value.swing + 60 * value.rate + 2 * value.scale, reading.text
        assert reading.plausible is not False, reading.text


def test_a_unit_is_recognised_by_what_it_says_and_holds(bench: Bench) -> None:
    """Every fingerprint register of every profile is asked for, so that wrong profiles get their chance."""
    identification = bench.ask(read_device_identification(bench.unit.address))
    said = bench.ask(report_server_id(bench.unit.address))
    registers: dict[tuple[int, int], int | None] = {}
    for block in fingerprint_blocks(PROFILES.values()):
        reply = bench.read(block.function, block.register, block.count)
        if reply.sound:
            registers.update(block.answered(reply.registers))
        elif reply.exception is not None:
            registers = block.refused() | registers
    facts = Facts(
        identification=identification_page(identification).objects if identification.sound else None,
        server_id=server_id(said).text if said.sound else None,
        registers=registers,
        settings=bench.unit.settings,
        address=bench.unit.address,
    )
    best = recognised(match(facts, PROFILES.values()))
    assert best is not None
    assert best.profile is BY_MODEL[bench.unit.kind.maker, bench.unit.kind.model]

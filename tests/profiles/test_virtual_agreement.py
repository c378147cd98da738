"""The shipped profiles against units of their types on the virtual segment, which were written from
the same maps."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.modbus.identification import identification_page, server_id
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import (
    Function,
    Request,
    read_device_identification,
    read_registers,
    report_server_id,
)
from busprobe.profiles import changes as profiles
from busprobe.profiles.changes import BaudRegister, FormatRegister
from busprobe.profiles.matching import Facts, match, recognised
from busprobe.profiles.read_requests import Block, blocks, fingerprint_blocks
from busprobe.profiles.store import load_all, shipped_folder
from busprobe.profiles.values import readings
from busprobe.virtual.loading import shipped_types
from busprobe.virtual.schema import CodeRegister, Key, Scenario, SettingChange, UnitEntry
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
    entry = UnitEntry(name="alone", type=request.param, serial="A-0001")
    alone = Scenario(title="One unit", types=dict(shipped_types()), units=(entry,))
    segment = Segment(alone, VirtualClock())
    with Line(segment.port(), segment.units[0].settings) as line:
        yield Bench(line, segment.units[0])


@pytest.mark.parametrize("name", TYPES)
def test_profiles_say_how_units_come_and_how_they_are_readdressed(name: str) -> None:
    kind = shipped_types()[name]
    profile = BY_MODEL[kind.maker, kind.model]
    assert profile.factory is not None
    assert (profile.factory.address, profile.factory.settings) == (kind.address, kind.settings)
    assert profile.readdress is not None
    assert kind.readdress is not None
    assert profile.readdress.at.wire == kind.readdress.at
    assert str(profile.readdress.part) == str(kind.readdress.part)
    agree(profile.readdress, kind.readdress, kind.lock, kind.save)
    assert str(profile.readdress.reply_from) == kind.readdress.reply_from
    assert (profile.readdress.addresses[0], profile.readdress.addresses[-1]) == (
        kind.readdress.lowest,
        kind.readdress.highest,
    )


@pytest.mark.parametrize("name", TYPES)
def test_profiles_say_how_units_are_given_other_line_settings(name: str) -> None:
    kind = shipped_types()[name]
    says, does = BY_MODEL[kind.maker, kind.model].line_settings, kind.line_settings
    assert (says is None) == (does is None)
    if says is None or does is None:
        return
    agree(says, does, kind.lock, kind.save)
    assert registers(says.baud) == registers(does.baud)
    assert registers(says.format) == registers(does.format)


def registers(
    where: BaudRegister | FormatRegister | CodeRegister | None,
) -> tuple[int, str, dict[str, int]] | None:
    """Register, part and codes."""
    if where is None:
        return None
    codes: dict[int, int] | dict[str, int] = where.codes
    at = where.at if isinstance(where.at, int) else where.at.wire
    return at, str(where.part), {str(name): code for name, code in codes.items()}


def agree(says: profiles.Change, does: SettingChange, lock: Key | None, save: Key | None) -> None:
    """A profile has the function code, the effect, the waits, the password and the save of its
    unit."""
    assert says.function in does.functions
    assert str(says.effect) == does.effect
    assert says.wait_s >= does.restart
    for write, key in ((says.unlock, lock), (says.save, save)):
        assert (write is None) == (key is None)
        if write is not None and key is not None:
            assert (write.at.wire, write.values) == (key.at, key.values)
            assert write.function in key.functions
    if lock is not None:
        assert says.relock is not None
        assert says.relock.at.wire == lock.at
        assert says.relock.values != lock.values
        assert says.relock.function in lock.functions


def test_a_unit_reads_the_values_it_has_and_they_are_plausible(bench: Bench) -> None:
    kind = bench.unit.kind
    profile = BY_MODEL[kind.maker, kind.model]
    registers: dict[tuple[int, int], int] = {}
    for block in blocks(profile):
        registers.update(
            block.answered(bench.read(block.function, block.register, block.count).registers)
        )
    found = readings(profile, registers)
    assert len(found) == len(profile.points)
    truth = {(3, value.at): value for value in kind.holding} | {
        (4, value.at): value for value in kind.input
    }
    for reading in found:
        value = truth[reading.point.function, reading.point.at.wire]
        assert isinstance(reading.value, int | float)
        assert not isinstance(value.value, str)
        assert (
            abs(reading.value - value.value) <= value.swing + 60 * value.rate + 2 * value.scale
        ), reading.text
        assert reading.plausible is not False, reading.text


def test_a_unit_is_recognised_by_what_it_says_and_holds(bench: Bench) -> None:
    """Every fingerprint register of every profile is asked for, so that wrong profiles get their
    chance."""
    identification = bench.ask(read_device_identification(bench.unit.address))
    said = bench.ask(report_server_id(bench.unit.address))
    registers: dict[tuple[int, int], int] = {}
    refused: list[Block] = []
    for block in fingerprint_blocks(PROFILES.values()):
        reply = bench.read(block.function, block.register, block.count)
        if reply.valid:
            registers.update(block.answered(reply.registers))
        elif reply.exception is not None:
            refused.append(block)
    facts = Facts(
        identification=(
            identification_page(identification).objects if identification.valid else None
        ),
        server_id=server_id(said).text if said.valid else None,
        registers=registers,
        refused=refused,
        settings=bench.unit.settings,
        address=bench.unit.address,
    )
    best = recognised(match(facts, PROFILES.values()))
    assert best is not None
    assert best.profile is BY_MODEL[bench.unit.kind.maker, bench.unit.kind.model]

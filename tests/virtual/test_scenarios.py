"""The shipped scenarios: each loads, and shows what its title says where no other test does."""

from __future__ import annotations

from collections import Counter

import pytest

from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import read_device_identification, report_server_id
from busprobe.virtual.loading import load_scenario, scenario_names
from tests.virtual.bench import ask, open_segment, read


@pytest.mark.parametrize("name", scenario_names())
def test_each_has_a_title_and_a_site(name: str) -> None:
    scenario = load_scenario(name)
    assert len(scenario.title) > 20
    assert scenario.site


@pytest.mark.parametrize("name", ["clean", "mixed", "full", "echo"])
def test_every_unit_answers_alone_at_its_own_settings(name: str) -> None:
    segment, line = open_segment(name)
    for unit in segment.units:
        line.apply(unit.settings)
        request = (
            read_device_identification(unit.address)
            if 43 in unit.kind.functions
            else report_server_id(unit.address)
        )
        reply, _ = ask(line, request)
        assert reply.verdict is Verdict.OK
        text = unit.kind.identification.get(1, unit.kind.server_id)
        assert text.encode() in reply.frame


def test_full_is_a_full_bus() -> None:
    """32 devices without repeater are always allowed (MODBUS over Serial Line V1.02, section
    3.4.1)."""
    units = load_scenario("full").units
    assert sorted(unit.address or 0 for unit in units) == list(range(1, 33))


@pytest.mark.parametrize("name", ["clash", "site"])
def test_two_units_of_different_types_share_address_1(name: str) -> None:
    segment, line = open_segment(name)
    clashing = [unit for unit in segment.units if unit.address == 1]
    assert len({unit.kind.model for unit in clashing}) == 2
    assert len({unit.settings for unit in clashing}) == 1
    verdicts = Counter(read(line, 1, 0)[0].verdict for _ in range(10))
    assert verdicts[Verdict.OK] + verdicts[Verdict.EXCEPTION] < 10
    segment.connect(clashing[0].name, connected=False)
    assert read(line, 1, 0)[0].verdict is Verdict.OK


def test_site_mixes_line_settings() -> None:
    segment, _ = open_segment("site")
    assert len({unit.settings for unit in segment.units}) == 4
    assert len({unit.serial for unit in segment.units}) == len(segment.units)


def test_slow_answers_late_and_another_needs_waking() -> None:
    segment, line = open_segment("slow")
    line.apply(segment.unit("fm-101").settings)
    assert read(line, 41)[0].verdict is Verdict.SILENT
    line.listen(1)
    reply, exchange = read(line, 41, reply=1.5)
    assert reply.verdict is Verdict.OK
    assert exchange.latency is not None
    assert 0.75 < exchange.latency < 0.85
    line.listen(30)
    assert [read(line, 51, 0, 1, function=4)[0].present for _ in range(2)] == [False, True]


def test_impostor_answers_for_everybody() -> None:
    _, line = open_segment("impostor")
    assert all(
        read(line, address, 1, function=4)[0].verdict is Verdict.OK for address in range(1, 248, 13)
    )


def test_box_fills_up_to_a_clash() -> None:
    """Two at once are heard as one address that goes wrong."""
    segment, line = open_segment("box")
    segment.connect("te-61")
    segment.connect("te-62")
    verdicts = {read(line, 1, 1, 2, function=4)[0].verdict for _ in range(10)}
    assert verdicts - {Verdict.OK}


def test_procedures_has_a_unit_for_each_way_to_take_a_new_address() -> None:
    segment, line = open_segment("procedures")
    types = [unit.kind for unit in segment.units]
    assert {kind.lock.when_locked for kind in types if kind.lock} == {"exception", "ignored"}
    ways = [kind.readdress for kind in types if kind.readdress]
    assert {way.effect for way in ways} == {"at-once", "after-save", "after-power-cycle"}
    assert {way.reply_from for way in ways} == {"old", "new", "none"}
    assert {kind.settings_together for kind in types} == {None, 2}
    assert {str(way.part) for way in ways} == {"whole", "high-byte", "low-byte"}
    for unit in segment.units:
        assert read(line, unit.address, 0)[0].present
    segment.power_cycle()
    assert segment.unit("te-201").address == 1


def test_harmonise_mixes_line_settings_that_all_units_can_leave() -> None:
    segment, line = open_segment("harmonise")
    assert len({unit.settings for unit in segment.units}) == 4
    for unit in segment.units:
        assert unit.kind.line_settings is not None
        line.apply(unit.settings)
        assert read(line, unit.address, 0)[0].present

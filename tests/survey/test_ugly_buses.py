"""Clashes of all sorts, noise and slow units on the virtual segment, where overlaps and bit errors
are simulated."""

from __future__ import annotations

import random
from collections import Counter
from itertools import combinations

import pytest

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.close_look import examine
from busprobe.survey.findings import Kind, SurveyResult
from busprobe.virtual.loading import load_scenario, shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from tests.benchmarks.random_buses import ADDRESSES, random_bus
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, registers, together
from tests.survey.test_survey import AT_9600, SEVERAL, line_of, listed, on, result, truth

TYPES = ("at-10", "bm-330", "cd-2", "dx-8", "ef-5", "fq-3")


def bus(*units: dict[str, object], seed: int = 1, bit_errors: float = 0.0) -> Segment:
    clean = load_scenario("clean")
    entries = tuple(
        UnitEntry.model_validate({"name": f"unit-{i}", **unit}) for i, unit in enumerate(units)
    )
    wires = clean.wires.model_copy(update={"bit_errors": bit_errors})
    changes = {"units": entries, "types": dict(shipped_types()), "seed": seed, "wires": wires}
    return Segment(clean.model_copy(update=changes), VirtualClock())


@pytest.mark.parametrize("settings", ["9600-8N1", "115200-8N1"])
@pytest.mark.parametrize("jitter", [0.0, 0.002])
def test_two_units_of_different_makes_at_one_address_never_pass_for_one(
    settings: str, jitter: float
) -> None:
    kinds: Counter[Kind] = Counter()
    for seed, pair in enumerate(combinations(TYPES, 2)):
        units = [
            {"type": t, "address": 5, "settings": settings, "jitter": jitter, "latency": 0.012}
            for t in pair
        ]
        line = Line(bus(*units, seed=seed).port("virtual:test"), LineSettings.parse(settings))
        kinds[examine(line, 5).kind] += 1
    assert kinds[Kind.CLASH] >= 13
    assert kinds[Kind.CLASH] + kinds[Kind.UNSURE] == 15


def test_a_second_unit_that_is_slower_than_any_wait_between_is_a_clash() -> None:
    units = [
        {"type": t, "address": 5, "settings": "9600-8N1", "latency": at}
        for t, at in (("at-10", 0.01), ("cd-2", 0.4))
    ]
    assert examine(Line(bus(*units).port("virtual:test"), SETTINGS), 5).kind is Kind.CLASH


def noisy(scenario: str, bit_errors: float, seed: int) -> Scenario:
    quiet = load_scenario(scenario)
    wires = quiet.wires.model_copy(update={"bit_errors": bit_errors})
    return quiet.model_copy(update={"seed": seed, "wires": wires})


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("bit_errors", [0.002, 0.01])
def test_noise_costs_time_and_no_finding(bit_errors: float, seed: int) -> None:
    """With one bit in a hundred wrong, half of the requests and half of the replies are spoilt."""
    segment = Segment(noisy("clean", bit_errors, seed), VirtualClock())
    end = result(on(line_of(segment)))
    assert listed(end.findings) == truth(segment, AT_9600)


@pytest.mark.parametrize("seed", [2, 5])
def test_noise_that_spoils_nearly_everything_invents_nobody_no_clash_and_no_master(
    seed: int,
) -> None:
    """With seed 5 one unit answers once, late, and then nothing gets through any more."""
    segment = Segment(noisy("clean", 0.02, seed), VirtualClock())
    end = result(on(line_of(segment)))
    found = listed(end.findings)
    assert set(found) <= set(truth(segment, AT_9600))
    assert Kind.CLASH not in found.values()
    assert not end.other_master
    assert any("a unit can be missed" in note for note in end.notes)
    unsure = Kind.UNSURE in found.values()
    assert any("may be hidden behind it" in note for note in end.notes) is unsure
    assert seed == 5 or any("belong to no valid frame" in note for note in end.notes)


@pytest.mark.parametrize("latency", [0.15, 0.5, 1.0])
@pytest.mark.parametrize("settings", [AT_9600, SEVERAL])
def test_slow_units_are_found_whatever_is_asked_meanwhile(
    latency: float, settings: tuple[LineSettings, ...]
) -> None:
    """Their replies come while others are asked, and are credited by the address they carry."""
    slow = {
        "type": "ef-5",
        "address": 41,
        "settings": "9600-8N1",
        "latency": latency,
        "jitter": 0.05,
    }
    segment = bus(slow, {"type": "fq-3", "address": 51, "settings": "9600-8N1"})
    end = result(on(line_of(segment), settings, addresses=range(38, 60)))
    assert listed(end.findings) == truth(segment, settings)
    if latency > 0.2:
        assert any("ms to answer" in note for note in end.findings[0].notes)


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_slow_units_beside_each_other_cut_nobodys_replies_short(seed: int | None) -> None:
    """Neighbours that answer each request, however late (radio links and line extenders do; common
    practice)."""
    chance = random.Random(seed)  # noqa: S311 - the same again is what is wanted

    def slow(address: int, least: float, most: float) -> Answers:
        def answers(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
            delay = most if seed is None else chance.uniform(least, most)
            return [
                (delay, reply)
                for _, reply in registers(address, {0: address, 1: 2})(request, settings)
            ]

        return answers

    units = together(
        slow(20, 0.05, 0.98), registers(21, {0: 9, 1: 9}), slow(33, 0.5, 0.5), slow(34, 0.4, 0.75)
    )
    end = result(on(Line(ScriptedPort(units), SETTINGS), addresses=range(1, 41)))
    assert listed(end.findings) == {
        (address, "9600-8N1"): Kind.UNIT for address in (20, 21, 33, 34)
    }
    assert not any("damaged" in note or "lost" in note for f in end.findings for note in f.notes)
    assert not end.notes


@pytest.mark.parametrize("seed", [0, 3])
def test_interference_in_bursts_is_no_second_unit(seed: int) -> None:
    """A contactor that switches every 0.7 s; most listening between the requests is too short to
    hear it alone."""
    chance = random.Random(seed)  # noqa: S311 - the same again is what is wanted
    port = ScriptedPort(
        together(registers(5, {0: 1, 1: 2}, 0.001), registers(9, {0: 1, 1: 2}, 0.02))
    )
    line = Line(port, SETTINGS)
    for number in range(200):
        port.chatter(0.3 + 0.7 * number, chance.randbytes(chance.randrange(1, 12)))
    end = result(on(line, addresses=range(1, 12)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT, (9, "9600-8N1"): Kind.UNIT}


def test_a_pulse_ahead_of_each_reply_makes_the_adapter_no_slower() -> None:
    units = together(registers(5, {0: 1, 1: 2}, 0.03), registers(9, {0: 1, 1: 2}, 0.04))
    port = ScriptedPort(lambda request, settings: [(0.002, b"\x00"), *units(request, settings)])
    end = result(on(Line(port, SETTINGS), addresses=range(1, 12)))
    assert not any("bursts" in note for note in end.notes)


@pytest.mark.parametrize("lump", [0.0, 0.016, 0.05])
def test_an_adapter_that_hands_over_late_is_measured_and_said(lump: float) -> None:
    """16 ms is the latency timer of common USB chips, 50 ms a slow serial server (common
    practice)."""
    clean = load_scenario("clean")
    changed = clean.model_copy(update={"adapter": clean.adapter.model_copy(update={"lump": lump})})
    segment = Segment(changed, VirtualClock())
    found = result(on(line_of(segment), AT_9600, addresses=range(1, 60)))
    assert listed(found.findings) == truth(segment, AT_9600)
    told = [note for note in found.notes if "in bursts" in note]
    assert told == [note for note in found.notes if f"up to {1000 * lump:.0f} ms late" in note]
    assert len(told) == bool(lump)


@pytest.mark.parametrize("address", [6, 7])
def test_a_unit_with_one_register_that_refuses_by_silence_is_found_at_odd_and_even_addresses(
    address: int,
) -> None:
    """Read by function 3 and 4 alike; a read of two registers gets no answer, nor any other
    function."""
    whole = registers(address, {0: 41})

    def mute(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(delay, reply) for delay, reply in whole(request, settings) if not reply[1] & 0x80]

    assert examine(Line(ScriptedPort(mute), SETTINGS), address).kind is Kind.UNIT


def test_a_late_reply_that_met_the_next_request_is_asked_for_again_by_its_own_request() -> None:
    """The unit answers function 4 only, and our own next request drowns the front of its first
    reply."""
    unit = registers(25, {0: 7}, delay=0.05)
    heard_whole: list[bool] = []

    def answers(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        replies = [each for each in unit(request, settings) if each[1][1] == 4]
        if replies and not heard_whole:
            heard_whole.append(False)
            return [(delay, reply[3:]) for delay, reply in replies]
        return replies

    found = result(on(Line(ScriptedPort(answers), SETTINGS), AT_9600, addresses=range(21, 31)))
    assert listed(found.findings) == {(25, "9600-8N1"): Kind.UNIT}


def test_single_stray_bytes_do_not_slow_the_survey_for_good() -> None:
    """Each may be all that is left of a late reply; where no unit explains the first few they are
    noise."""
    chance = random.Random(1)  # noqa: S311 - the same again is what is wanted
    port = ScriptedPort(together(registers(5, {0: 1, 1: 2}), registers(9, {0: 1, 1: 2})))
    for number in range(40):
        port.chatter(2.3 + 3 * number, bytes([chance.choice((0x55, 0xAB, 0x13))]))
    end = result(on(Line(port, SETTINGS), addresses=range(1, 248)))
    assert listed(end.findings) == {(5, "9600-8N1"): Kind.UNIT, (9, "9600-8N1"): Kind.UNIT}
    assert end.seconds < 110


def test_a_late_reply_after_the_port_was_checked_is_no_other_master() -> None:
    """The first unit is found while a slow one, which sleeps again, still has a reply to give."""
    segment = Segment(random_bus(239), VirtualClock())
    searched = (LineSettings.parse("19200-8E1"), SETTINGS)
    end = result(on(line_of(segment), searched, addresses=ADDRESSES, quick_look=False))
    assert not end.other_master
    assert end.complete


@pytest.mark.parametrize("busy", [0.02, 0.06])
def test_a_busy_computer_is_no_adapter_that_delivers_late(busy: float) -> None:
    """What our own program is late by is neither put down to the adapter nor learnt as a wait."""

    def surveyed(**adapter: float) -> SurveyResult:
        clean = load_scenario("clean")
        changed = clean.model_copy(update={"adapter": clean.adapter.model_copy(update=adapter)})
        segment = Segment(changed, VirtualClock())
        end = result(on(line_of(segment), AT_9600, addresses=range(1, 60)))
        assert listed(end.findings) == truth(segment, AT_9600)
        return end

    idle, loaded = surveyed(), surveyed(busy=busy)
    assert not any("in lumps" in note for note in loaded.notes)
    waits = {asked.probe: asked.wait_ms for asked in idle.asked}
    learnt = {asked.probe: asked.wait_ms for asked in loaded.asked}
    assert learnt == pytest.approx(waits, abs=5)

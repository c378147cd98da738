"""Clashes of all sorts, noise and slow units on the virtual segment, where overlaps and bit errors are simulated."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import pytest

from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.survey.examine import examine
from busprobe.survey.findings import Kind
from busprobe.virtual.loading import load_scenario, shipped_types
from busprobe.virtual.schema import Scenario, UnitEntry
from busprobe.virtual.segment import Segment
from tests.survey.scripted import SETTINGS
from tests.survey.test_run import AT_9600, SEVERAL, line_of, listed, on, result, truth

TYPES = ("at-10", "bm-330", "cd-2", "dx-8", "ef-5", "fq-3")


def bus(*units: dict[str, object], seed: int = 1, bit_errors: float = 0.0) -> Segment:
    clean = load_scenario("clean")
    entries = tuple(UnitEntry.model_validate({"name": f"unit-{i}", **unit}) for i, unit in enumerate(units))
    wires = clean.wires.model_copy(update={"bit_errors": bit_errors})
    changes = {"units": entries, "types": dict(shipped_types()), "seed": seed, "wires": wires}
    return Segment(clean.model_copy(update=changes), VirtualClock())


@pytest.mark.parametrize("settings", ["9600-8N1", "115200-8N1"])
@pytest.mark.parametrize("jitter", [0.0, 0.002])
def test_two_units_of_different_makes_at_one_address_never_pass_for_one(settings: str, jitter: float) -> None:
    kinds: Counter[Kind] = Counter()
    for seed, pair in enumerate(combinations(TYPES, 2)):
        units = [{"type": t, "address": 5, "settings": settings, "jitter": jitter, "latency": 0.012} for t in pair]
        line = Line(bus(*units, seed=seed).port("virtual:test"), LineSettings.parse(settings))
        kinds[examine(line, 5).kind] += 1
    assert kinds[Kind.CLASH] >= 13
    assert kinds[Kind.CLASH] + kinds[Kind.UNSURE] == 15


def test_a_second_unit_that_is_slower_than_any_wait_between_is_a_clash() -> None:
    units = [
        {"type": t, "address": 5, "settings": "9600-8N1", "latency": at} for t, at in (("at-10", 0.01), ("cd-2", 0.4))
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


def test_noise_that_spoils_nearly_everything_invents_nobody_and_no_clash() -> None:
    segment = Segment(noisy("clean", 0.02, 5), VirtualClock())
    found = listed(result(on(line_of(segment))).findings)
    assert set(found) <= set(truth(segment, AT_9600))
    assert Kind.CLASH not in found.values()


@pytest.mark.parametrize("latency", [0.15, 0.5, 1.0])
@pytest.mark.parametrize("settings", [AT_9600, SEVERAL])
def test_slow_units_are_found_whatever_is_asked_meanwhile(latency: float, settings: tuple[LineSettings, ...]) -> None:
    """Their replies come while others are asked, and are credited by the address they carry."""
    slow = {"type": "ef-5", "address": 41, "settings": "9600-8N1", "latency": latency, "jitter": 0.05}
    segment = bus(slow, {"type": "fq-3", "address": 51, "settings": "9600-8N1"})
    end = result(on(line_of(segment), settings, addresses=range(38, 60)))
    assert listed(end.findings) == truth(segment, settings)
    if latency > 0.2:
        assert any("ms to answer" in note for note in end.findings[0].notes)

"""Endurance runs on the simulated segment: the counts show what is wrong there, and nothing
else."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from busprobe.job.records import PollResult
from busprobe.line.clock import VirtualClock
from busprobe.line.exchange import Waits
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.profiles.loading import load_profile
from busprobe.profiles.read_requests import Block
from busprobe.profiles.schema import Profile
from busprobe.prove.endurance import (
    Polled,
    PollTarget,
    RunFinished,
    RunPlan,
    endure,
    table_targets,
    target,
)
from busprobe.prove.polling_table import PolledUnit, Wanted
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.trial import try_table
from busprobe.prove.words import findings
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment

SHIPPED = Path(__file__).parents[2] / "profiles"


@cache
def profile_of(unit_type: str) -> Profile:
    """The demo profile of a scenario's unit type."""
    [path] = SHIPPED.glob(f"*-{unit_type}.toml")
    return load_profile(path)


def open_segment(name: str) -> tuple[Line, list[PollTarget]]:
    """The scenario `name` on virtual time, and its units with their profiles' requests; each
    address once."""
    segment = Segment(load_scenario(name), VirtualClock())
    targets: dict[Place, PollTarget] = {}
    for entry in segment.scenario.units:
        kind = segment.scenario.types[entry.type]
        place = Place(entry.address or kind.address, entry.settings or kind.settings)
        targets.setdefault(place, target(place, profile_of(entry.type)))
    return Line(segment.port(f"virtual:{name}"), LineSettings.parse("9600-8N1")), list(
        targets.values()
    )


def prove(name: str, plan: RunPlan) -> Proof:
    line, targets = open_segment(name)
    *_, last = endure(line, targets, plan)
    assert isinstance(last, RunFinished)
    return last.proof


def unit(proof: Proof, address: int) -> UnitTally:
    return next(unit for unit in proof.units if unit.address == address)


@pytest.mark.parametrize("name", ["clean", "mixed", "echo", "full"])
def test_where_nothing_disturbs_the_proof_is_clean(name: str) -> None:
    proof = prove(name, RunPlan(rounds=5))
    assert proof.clean, findings(proof)
    assert all(unit.reply_times.count == unit.polls for unit in proof.units)


def test_noise_fails_some_polls_and_no_unit_stands_out() -> None:
    proof = prove("noise", RunPlan(rounds=40))
    assert 0 < proof.failed < proof.polls / 3
    assert sum(unit.count(PollResult.OK) for unit in proof.units) > proof.polls / 2
    assert proof.pattern.standing_out == ()


def test_a_clash_stands_out_at_its_own_address_only() -> None:
    proof = prove("clash", RunPlan(rounds=20))
    assert {
        unit.address
        for unit in proof.units
        if unit.failed or unit.count(PollResult.OK_AFTER_STRAY_BYTES)
    } <= {1}
    assert not proof.clean
    assert unit(proof, 1).failed == 0 or proof.pattern.standing_out[0].address == 1


def test_a_slow_unit_shows_in_its_reply_times_and_as_late_where_the_wait_is_too_short() -> None:
    patient = unit(prove("slow", RunPlan(rounds=3)), 41)
    assert patient.failed == 0
    assert patient.reply_times.median == pytest.approx(0.8, abs=0.06)
    hasty = unit(prove("slow", RunPlan(rounds=3, reply_wait=0.5)), 41)
    assert hasty.late == hasty.polls
    assert hasty.latest_ms == pytest.approx(850, abs=100)


def test_another_master_leaves_strays() -> None:
    proof = prove("second-master", RunPlan(seconds=20))
    assert proof.strays > 0
    assert not proof.clean


def test_the_polling_table_tried_on_the_segment_takes_as_long_as_calculated() -> None:
    """Latencies from a run, the table from the profiles, its gaps tried; then its cycle is measured
    and agrees.

    Reply times vary from poll to poll by up to 2 ms (the types' jitter), so the sum of medians is
    not exact.
    """
    line, targets = open_segment("clean")
    *_, last = endure(line, targets, RunPlan(rounds=10))
    assert isinstance(last, RunFinished)
    units = []
    for entry in load_scenario("clean").units:
        median = unit(last.proof, entry.address or 0).reply_times.median
        assert median is not None
        assert entry.settings is not None
        assert entry.address is not None
        profile = profile_of(entry.type)
        wanted = tuple(
            Wanted(p.name, Block(p.function, p.at.wire, p.count), 5.0) for p in profile.points
        )
        units.append(
            PolledUnit(
                Place(entry.address, entry.settings), wanted, median, profile.limits.registers
            )
        )
    table = try_table(line, units, Waits(reply=1.0)).table
    assert table.left_out == ()
    assert len(table.rows) <= sum(len(one.requests) for one in targets)
    *_, last = endure(line, table_targets(table), RunPlan(rounds=20))
    assert isinstance(last, RunFinished)
    assert last.proof.clean
    assert last.proof.round_times.median == pytest.approx(table.cycle_s, rel=0.03)


def test_what_the_computer_takes_between_polls_is_what_a_cycle_is_longer_by() -> None:
    """The same segment polled by a computer that is busy for 20 ms after each poll: the difference
    of the cycles is the host delay measured, once a request."""

    def run(busy: float) -> Proof:
        line, targets = open_segment("clean")
        for event in endure(line, targets, RunPlan(rounds=5)):
            if isinstance(event, Polled):
                line.clock.sleep_until(line.clock.now() + busy)
        assert isinstance(event, RunFinished)
        return event.proof

    prompt, slow = run(0.0), run(0.02)
    assert prompt.host_delays.maximum == 0
    delay = slow.host_delays.median
    assert delay is not None
    assert 0.01 < delay < 0.02, "the silence due passes meanwhile"
    requests = slow.polls / slow.rounds
    longer = (slow.round_times.median or 0) - (prompt.round_times.median or 0)
    assert longer == pytest.approx(requests * delay, rel=0.02)

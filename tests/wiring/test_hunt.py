"""The hunt on the virtual segment, with hands at the terminals between two events."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from threading import Event as Cancel
from typing import TypeGuard

import pytest

from busprobe.errors import PortError
from busprobe.line.clock import VirtualClock
from busprobe.line.line import Line
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from busprobe.wiring.hunt import HuntEvent, HuntRound, Seen, UnitChanged, hunt
from tests.wiring.bench import USUAL, request, scenario, segment

ALL = (11, 12, 21, 31, 41, 51)


def start(
    bench: Segment, addresses: tuple[int, ...] = ALL, cancel: Cancel | None = None
) -> Iterator[HuntEvent]:
    return hunt(Line(bench.port(), USUAL), addresses, cancel or Cancel())


def until(
    events: Iterator[HuntEvent], wanted: Callable[[HuntEvent], bool], most: int = 400
) -> list[HuntEvent]:
    """Events up to the wanted one; fails if it does not come."""
    seen = []
    for event in events:
        seen.append(event)
        if wanted(event):
            return seen
        assert len(seen) < most, "it never came"
    raise AssertionError("the hunt ended")


def sees(event: HuntEvent, *what: Seen) -> TypeGuard[UnitChanged]:
    """Whether that comes from a unit since."""
    return isinstance(event, UnitChanged) and event.now in what


def round_of(events: Iterator[HuntEvent]) -> HuntRound:
    """The next round."""
    last = until(events, lambda event: isinstance(event, HuntRound))[-1]
    assert isinstance(last, HuntRound)
    return last


def test_every_unit_appears_at_the_moment_its_reply_began() -> None:
    """All six within the first rounds, the one that is silent on unknown registers too, each
    once."""
    bench = segment("clean")
    events = start(bench)
    seen = until(
        events, lambda event: isinstance(event, HuntRound) and len(event.present) == len(ALL)
    )
    appeared = [event for event in seen if sees(event, Seen.REPLIES)]
    assert sorted(event.address for event in appeared) == list(ALL)
    assert [event.at for event in appeared] == sorted(event.at for event in appeared)
    assert not any(sees(event, Seen.SILENCE) for event in seen)
    first = appeared[0]
    sent = USUAL.t3_5 + USUAL.wire_time(8)
    kind = bench.scenario.types["at-10"]
    assert first.address == bench.unit("te-101").address
    assert kind.latency - 1e-6 <= first.at - sent <= kind.latency + kind.jitter + 1e-6


def test_a_unit_taken_off_vanishes_between_its_last_reply_and_the_first_miss() -> None:
    """The moment told is what was seen on the wire, and the truth lies in the interval."""
    bench = segment("clean")
    events = start(bench)
    until(events, lambda event: isinstance(event, HuntRound) and len(event.present) == len(ALL))
    bench.connect("em-101", connected=False)
    off = bench.clock.now()
    seen = until(events, lambda event: sees(event, Seen.SILENCE))
    gone = seen[-1]
    assert sees(gone, Seen.SILENCE)
    assert gone.address == 21
    assert gone.last_seen <= off <= gone.at
    assert gone.at - off < 0.5
    assert 21 not in round_of(events).present

    bench.connect("em-101")
    on = bench.clock.now()
    back = until(events, lambda event: sees(event, Seen.REPLIES))[-1]
    assert sees(back, Seen.REPLIES)
    assert back.address == 21
    assert back.at > on


def test_a_swapped_pair_is_found_by_swapping_it_back() -> None:
    """The unit with exchanged wires appears the moment they are turned, and no other event
    comes."""
    bench = segment("swapped")
    events = start(bench)
    until(events, lambda event: isinstance(event, HuntRound) and len(event.present) == len(ALL) - 1)
    bench.swap("io-101")
    seen = until(events, lambda event: sees(event, Seen.REPLIES))
    assert [event.address for event in seen if not isinstance(event, HuntRound)] == [31]


@pytest.mark.parametrize("seed", range(3))
def test_single_lost_replies_are_no_vanishing(seed: int) -> None:
    """Bit errors lose a reply now and then: rounds tell of it, and nobody vanishes."""
    bench = Segment(scenario("clean", seed=seed, wires={"bit_errors": 0.0004}), VirtualClock())
    cancel = Cancel()
    line = Line(bench.port(), USUAL)
    events = hunt(line, ALL, cancel, known=[request(address) for address in ALL])
    lost = 0
    vanished = []
    for event in events:
        if sees(event, Seen.SILENCE):
            vanished.append(event)
        elif isinstance(event, HuntRound):
            lost += len(event.lost)
            if event.number == 100:
                cancel.set()
    assert lost > 10
    assert vanished == []


def silent_on_registers() -> Segment:
    """Unit 41 knows nothing but its server id, and stays silent on all else."""
    shipped = scenario("clean")
    kind = shipped.types["ef-5"].model_copy(update={"functions": (17,), "errors": "silence"})
    return Segment(
        shipped.model_copy(update={"types": {**shipped.types, "ef-5": kind}}), VirtualClock()
    )


def test_kinds_of_requests_are_tried_in_turn_until_one_is_answered() -> None:
    """A unit that is silent on registers appears by its server id, and is asked for that from then
    on."""
    events = start(silent_on_registers(), (41,))
    seen = until(events, lambda event: sees(event, Seen.REPLIES))
    assert [type(event) for event in seen] == [HuntRound, HuntRound, UnitChanged]
    for _ in range(5):
        assert round_of(events).lost == ()


def test_known_requests_are_used_from_the_start() -> None:
    """The same unit appears at once if the request it answers is known."""
    events = hunt(Line(silent_on_registers().port(), USUAL), (41,), Cancel(), known=[request(41)])
    assert sees(next(events), Seen.REPLIES)


def test_absent_units_cost_no_more_than_their_wait() -> None:
    """Six present units and one absent one: a round takes the sum of their exchanges, and one short
    wait."""
    bench = segment("clean")
    events = start(bench, (*ALL, 99))
    until(events, lambda event: isinstance(event, HuntRound) and len(event.present) == len(ALL))
    steady = round_of(events)
    assert 99 not in steady.present
    assert 0.1 < steady.seconds < 0.1 + 7 * 0.05


def test_a_clash_is_garbled_not_absent() -> None:
    """Two units that talk over each other give bytes but no frame: the round says so."""
    bench = segment("clash")
    shared = next(
        u.address for u in bench.units if sum(v.address == u.address for v in bench.units) > 1
    )
    events = start(bench, (shared,))
    rounds = [round_of(events) for _ in range(20)]
    assert any(shared in (*event.garbled, *event.present) for event in rounds)
    assert any(shared in (*event.garbled, *event.lost) for event in rounds)


def test_a_late_reply_counts_for_the_unit_that_sent_it() -> None:
    """A reply that comes while the next unit is asked is credited by the address it carries."""
    bench = segment(
        "clean",
        units=tuple(
            (
                entry.model_copy(update={"latency": 0.115, "jitter": 0.0})
                if entry.address == 11
                else entry
            )
            for entry in scenario("clean").units
        ),
    )
    events = start(bench, (11, 99))
    seen = until(events, lambda event: sees(event, Seen.REPLIES), most=20)
    assert seen[-1].address == 11  # type: ignore[union-attr]


@pytest.mark.parametrize("addresses", [(41,), (11, 31, 41), (41, 99)])
def test_a_slow_unit_appears_once_and_does_not_come_and_go(addresses: tuple[int, ...]) -> None:
    """One that takes 0.8 s is late at first, heard while another kind of request is out, then
    waited for."""
    events = start(segment("slow"), addresses)
    seen = until(events, lambda event: isinstance(event, HuntRound) and event.number == 30)
    assert [event.address for event in seen if sees(event, Seen.REPLIES)].count(41) == 1
    assert not any(sees(event, Seen.SILENCE) for event in seen)
    assert not round_of(events).lost


def test_a_slow_unit_that_is_taken_off_vanishes_too() -> None:
    bench = segment("slow")
    events = start(bench, (41,))
    until(events, lambda event: isinstance(event, HuntRound) and event.number == 30)
    bench.connect(next(unit.name for unit in bench.units if unit.address == 41), connected=False)
    gone = until(events, lambda event: sees(event, Seen.SILENCE), most=3)[-1]
    assert sees(gone, Seen.SILENCE)
    assert gone.address == 41
    assert not round_of(events).present


def test_cancel_ends_the_hunt_after_the_exchange_under_way() -> None:
    """No round is faked for what was not asked, and an empty set ends at once."""
    cancel = Cancel()
    events = start(segment("clean"), cancel=cancel)
    next(events)
    cancel.set()
    assert list(events) == []
    assert list(start(segment("clean"), ())) == []


def test_a_pulled_adapter_is_a_port_error() -> None:
    """The hunt cannot go on without its port, and says so in the port's own words."""
    bench = segment("clean")
    events = start(bench)
    next(events)
    bench.unplug()
    with pytest.raises(PortError, match="gone"):
        for _ in events:
            pass


def test_a_second_unit_at_an_address_is_garbled_and_not_silent() -> None:
    """It joins, both leave: told as garbled first and as vanished then."""
    clean = load_scenario("clean")
    entry = next(unit for unit in clean.units if unit.address == 11)
    twin = entry.model_copy(
        update={"name": "twin", "type": "bm-330", "latency": 0.013, "connected": False}
    )
    bench = Segment(clean.model_copy(update={"units": (*clean.units, twin)}), VirtualClock())
    events = start(bench, (11,))
    until(events, lambda event: sees(event, Seen.REPLIES))
    for _ in range(3):
        round_of(events)
    bench.connect("twin")
    seen = until(events, lambda event: sees(event, Seen.GARBLED, Seen.SILENCE))
    assert sees(seen[-1], Seen.GARBLED)
    assert round_of(events).garbled == (11,)
    bench.connect("twin", connected=False)
    bench.connect(entry.name, connected=False)
    seen = until(events, lambda event: not isinstance(event, HuntRound))
    assert sees(seen[-1], Seen.SILENCE)
    bench.connect(entry.name)
    seen = until(events, lambda event: not isinstance(event, HuntRound))
    assert sees(seen[-1], Seen.REPLIES)

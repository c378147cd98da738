"""The endurance run: everything counted once and under the right kind, nothing retried, always able
to go on."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from threading import Event as StopFlag
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.line.timing import exchange_time
from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import Function, read_registers
from busprobe.profiles.loading import load_profile
from busprobe.profiles.read_requests import Block
from busprobe.prove.documents import proof_document, stored_proof
from busprobe.prove.endurance import (
    Polled,
    PollTarget,
    RoundDone,
    RunEvent,
    RunFinished,
    RunPlan,
    RunProgress,
    endure,
    table_targets,
    target,
)
from busprobe.prove.polling_table import PolledUnit, Wanted, polling_table
from busprobe.prove.proof import EVIDENCE_KEPT, Proof
from busprobe.prove.words import findings
from tests.prove.bench import LATENCY, SETTINGS, Answer, Misbehaviour, bench, framed, usual

SHIPPED = Path(__file__).parents[2] / "profiles"
OTHER = LineSettings.parse("19200-8E1")


def units(*addresses: int) -> list[PollTarget]:
    return [target(Place(address, SETTINGS)) for address in addresses]


def run(misbehaviour: Misbehaviour, *addresses: int, rounds: int = 1) -> Proof:
    line, _ = bench(misbehaviour)
    return finished(endure(line, units(*addresses), RunPlan(rounds=rounds))).proof


def finished(events: Iterable[RunEvent]) -> RunFinished:
    last = list(events)[-1]
    assert isinstance(last, RunFinished)
    return last


def well(number: int, request: bytes) -> Answer | None:
    return None


def test_a_clean_bus_is_clean_and_says_how_much_that_proves() -> None:
    proof = run(well, 1, 2, 3, rounds=100)
    assert proof.clean
    assert proof.complete
    assert [unit.polls for unit in proof.units] == [100, 100, 100]
    # 1 - 0.05^(1/300) = 0.994 %
    assert findings(proof)[0].startswith("0 of 300 polls failed")
    assert "at most 0.994 % with 95 % confidence" in findings(proof)[0]


def test_reply_times_are_those_of_the_unit() -> None:
    [unit] = run(well, 1, rounds=10).units
    assert unit.reply_times.count == 10
    assert unit.reply_times.median == pytest.approx(LATENCY)
    assert unit.reply_times.maximum == pytest.approx(LATENCY)


def test_junk_ahead_of_a_reply_does_not_shorten_its_time_and_is_told() -> None:
    """A byte 00 right after the request, the reply when it usually comes: in pieces or as one
    chunk."""
    for ahead in ([(-LATENCY, b"\x00")], [(0.0, b"\x00\x00")]):
        proof = run(lambda number, request: [*ahead, (0.0, usual(request))], 1, rounds=5)  # noqa: B023
        [unit] = proof.units
        assert unit.count(PollResult.OK_AFTER_STRAY_BYTES) == 5
        assert unit.reply_times.median == pytest.approx(LATENCY, abs=1e-4)
        assert proof.clean
        assert any(
            "Valid replies after stray bytes: 5." in sentence for sentence in findings(proof)
        )


def test_a_reply_taken_in_after_the_wait_counts_and_says_nothing_of_times() -> None:
    """The computer was held up for a minute while the reply lay there: neither the unit nor the bus
    was slow."""
    line, port = bench()
    receive = port.receive

    def held_up(until: float) -> Chunk | None:
        chunk = receive(until)
        if chunk is not None and len(port.sent) == 5:
            port.clock.sleep_until(port.clock.now() + 60)
            return replace(chunk, at=port.clock.now())
        return chunk

    port.receive = held_up  # type: ignore[method-assign]
    [unit] = finished(endure(line, units(1), RunPlan(rounds=10))).proof.units
    assert (unit.count(PollResult.OK), unit.failed, unit.reply_times.count) == (10, 0, 9)
    assert unit.reply_times.maximum == pytest.approx(LATENCY)


def test_replies_from_another_address_are_told_and_are_no_strays() -> None:
    proof = run(
        lambda number, request: [(0.0, framed(60, 3, 2, 0, 0))] if request[0] == 6 else None,
        5,
        6,
        rounds=4,
    )
    assert proof.units[1].count(PollResult.FOREIGN) == 4
    assert proof.strays == 0
    assert not proof.clean
    assert any(
        "another address than the one asked: 4, when 6 (0x06)" in sentence
        for sentence in findings(proof)
    )


def test_exceptions_are_told_by_name_and_are_no_failure() -> None:
    proof = run(
        lambda number, request: [(0.0, framed(request[0], 0x83, 2))] if number == 1 else None,
        1,
        rounds=3,
    )
    assert proof.clean
    told = (
        "Unit 1 (0x01) answered 1 of 3 polls with exception 2, illegal data address: that is no"
        " failure of the line."
    )
    assert told in findings(proof)


def test_units_that_refuse_the_same_are_told_of_in_one_sentence() -> None:
    def refusing(number: int, request: bytes) -> Answer | None:
        return (
            None
            if request[0] == 4
            else [(0.0, framed(request[0], 0x83, 4 if request[0] == 9 else 2))]
        )

    proof = run(refusing, 1, 2, 3, 4, 7, 9, rounds=5)
    assert findings(proof)[1:] == (
        (
            "Units 1-3,7 answered 20 of 20 polls with exception 2, illegal data address: that is no"
            " failure of the line."
        ),
        (
            "Unit 9 (0x09) answered 5 of 5 polls with exception 4, server device failure: that is"
            " no failure of the line."
        ),
    )


def test_at_full_speed_a_round_takes_exactly_its_exchanges() -> None:
    """Silence of 3.5 characters, request, latency and reply, for each unit; the first silence was
    before the run."""
    line, _ = bench()
    events = list(endure(line, units(1, 2), RunPlan(rounds=3)))
    rounds = [event.seconds for event in events if isinstance(event, RoundDone)]
    exact = 2 * exchange_time(SETTINGS, 8, 7, LATENCY)
    assert rounds[1:] == pytest.approx([exact, exact])
    assert rounds[0] == pytest.approx(exact)


def test_with_a_pause_that_much_silence_is_before_each_request() -> None:
    line, port = bench()
    list(endure(line, units(1), RunPlan(rounds=3, pause=0.1)))
    reply_over = LATENCY + SETTINGS.wire_time(8 + 7)
    starts = [at for at, _ in port.sent]
    assert starts[1] - starts[0] == pytest.approx(reply_over + 0.1)
    assert starts[2] - starts[1] == pytest.approx(reply_over + 0.1)


@pytest.mark.parametrize(("pause", "silence"), [(0.0, 0.05 + SETTINGS.t3_5), (0.2, 0.2)])
def test_a_unit_that_needs_a_gap_is_given_it_and_a_longer_pause_holds_as_well(
    pause: float, silence: float
) -> None:
    line, port = bench()
    fussy = PollTarget(
        Place(1, SETTINGS), (read_registers(1, Function.READ_HOLDING_REGISTERS, 0, 1),), gap_s=0.05
    )
    list(endure(line, [fussy], RunPlan(rounds=2, pause=pause)))
    starts = [at for at, _ in port.sent]
    assert starts[1] - starts[0] == pytest.approx(
        exchange_time(SETTINGS, 8, 7, LATENCY) - SETTINGS.t3_5 + silence
    )


def bad_crc(request: bytes) -> bytes:
    reply = usual(request)
    return reply[:-1] + bytes([reply[-1] ^ 1])


def swapped(request: bytes) -> bytes:
    reply = usual(request)
    return reply[:-2] + reply[:-3:-1]


@pytest.mark.parametrize(
    ("reply", "kind", "verdict"),
    [
        (usual, PollResult.OK, Verdict.OK),
        (
            lambda request: b"\x00" + usual(request),
            PollResult.OK_AFTER_STRAY_BYTES,
            Verdict.OK_AFTER_STRAY_BYTES,
        ),
        (lambda request: framed(request[0], 0x83, 2), PollResult.EXCEPTION, Verdict.EXCEPTION),
        (
            lambda request: framed(request[0], 3, 4, 0, 0, 0, 0),
            PollResult.MALFORMED,
            Verdict.NOT_CONFORMING,
        ),
        (lambda request: b"\xff\x7f\x7e", PollResult.MALFORMED, Verdict.GARBAGE),
        (lambda request: framed(request[0] + 9, 3, 2, 0, 0), PollResult.FOREIGN, Verdict.FOREIGN),
        (swapped, PollResult.CRC, Verdict.CRC_SWAPPED),
        (bad_crc, PollResult.CRC, Verdict.CRC_BAD_HEAD_OK),
        (lambda request: b"\x77" + bad_crc(request)[1:], PollResult.CRC, Verdict.CRC_BAD),
    ],
)
def test_each_kind_of_reply_is_counted_as_what_it_is(
    reply: Callable[[bytes], bytes], kind: PollResult, verdict: Verdict
) -> None:
    proof = run(lambda number, request: [(0.0, reply(request))], 1, rounds=3)
    [unit] = proof.units
    assert unit.verdicts == {verdict: 3}
    assert {k: unit.count(k) for k in PollResult if unit.count(k)} == {kind: 3}
    assert unit.failed == (
        0 if kind in (PollResult.OK, PollResult.OK_AFTER_STRAY_BYTES, PollResult.EXCEPTION) else 3
    )
    assert len(unit.evidence) == unit.failed


def test_a_gateways_word_that_its_unit_is_not_there_is_a_failure() -> None:
    """Exceptions 0A and 0B come from a gateway (V1.1b3 section 7), not from the unit."""
    [unit] = run(lambda number, request: [(0.0, framed(request[0], 0x83, 0x0B))], 1).units
    assert unit.exceptions == {11: 1}
    assert unit.failed == 1


def test_silence_is_counted_and_nothing_is_retried() -> None:
    line, port = bench(lambda number, request: [] if request[0] == 2 else None)
    proof = finished(endure(line, units(1, 2), RunPlan(rounds=5))).proof
    assert [request[0] for _, request in port.sent] == [1, 2] * 5
    assert proof.units[1].count(PollResult.SILENT) == 5
    assert proof.units[0].failed == 0
    assert not proof.clean


def test_a_late_reply_is_credited_and_shifts_nothing() -> None:
    """It comes 0.2 s after the reply wait: the poll is late, not silent, and the next one is
    answered by its own."""
    line, _ = bench(lambda number, request: [(1.2, usual(request))] if number == 1 else None)
    events = list(endure(line, units(1), RunPlan(rounds=3)))
    assert [event.result for event in events if isinstance(event, Polled)] == [
        PollResult.OK,
        PollResult.LATE,
        PollResult.OK,
    ]
    proof = finished(events).proof
    [unit] = proof.units
    assert (unit.late, unit.count(PollResult.SILENT), unit.polls, unit.failed) == (1, 0, 3, 1)
    assert unit.latest_ms == pytest.approx(1000 * (LATENCY + SETTINGS.wire_time(7) + 1.2))
    assert proof.strays == 0


@pytest.mark.parametrize("latency", [LATENCY, 0.1, 0.5])
def test_a_late_reply_in_the_poll_of_another_unit_is_no_fault_of_that_unit(latency: float) -> None:
    """Unit 1 answers after the whole listening, into the poll of unit 2, which answers in time
    behind it."""
    line, port = bench(lambda number, request: [] if number == 0 else None, latency=latency)
    port.arrive(1.53, framed(1, 3, 2, 0, 0))
    proof = finished(endure(line, units(1, 2, 3), RunPlan(rounds=1))).proof
    one, two, three = proof.units
    assert (one.late, one.count(PollResult.SILENT)) == (1, 0)
    assert two.verdicts == {Verdict.OK: 1}
    assert two.reply_times.median == pytest.approx(latency, abs=1e-4)
    assert three.failed == 0
    assert (one.failed_rounds, two.failed_rounds, proof.shared_rounds) == (1, 0, 0)
    assert proof.strays == 0
    assert [request[0] for _, request in port.sent] == [1, 2, 3]


def test_a_unit_in_whose_place_only_a_late_reply_came_is_silent() -> None:
    def script(number: int, request: bytes) -> Answer | None:
        return {0: [(1.5, usual(request))], 1: []}.get(number)

    one, two = run(script, 1, 2).units
    assert (one.late, two.count(PollResult.SILENT), two.count(PollResult.FOREIGN)) == (1, 1, 0)


@pytest.mark.parametrize("apart", [0.0, 0.01, 0.2])
@pytest.mark.parametrize(
    ("reply", "kind"),
    [
        (usual, PollResult.OK),
        (bad_crc, PollResult.CRC),
        (lambda r: b"\x55\x66", PollResult.MALFORMED),
    ],
)
def test_what_comes_behind_a_late_reply_of_another_unit_is_judged_by_itself(
    apart: float, reply: Any, kind: PollResult
) -> None:
    """In one lump with it, right after it, or when the port had long been quiet."""

    def script(number: int, request: bytes) -> Answer | None:
        late = framed(1, 3, 2, 0, 0)
        if number == 1:
            return (
                [(0.0, late), (apart, reply(request))] if apart else [(0.0, late + reply(request))]
            )
        return [] if number == 0 else None

    proof = run(script, 1, 2)
    one, two = proof.units
    assert (one.late, one.count(PollResult.SILENT), proof.strays) == (1, 0, 0)
    assert two.count(kind) == 1, two


@pytest.mark.parametrize("latency", [LATENCY, 0.1])
def test_a_late_reply_is_credited_where_its_unit_has_answered_the_next_poll_before(
    latency: float,
) -> None:
    """It comes when the round has gone on to its unit once more and to the next one."""
    line, _ = bench(
        lambda number, request: [(1.7, usual(request))] if number == 0 else None, latency=latency
    )
    proof = finished(endure(line, units(1, 2), RunPlan(rounds=9))).proof
    one, two = proof.units
    assert (one.late, one.count(PollResult.SILENT), one.count(PollResult.OK)) == (1, 0, 8)
    assert (two.failed, proof.strays) == (0, 0)


def test_a_late_reply_met_before_the_next_request_is_credited() -> None:
    """It comes while the pair is kept quiet for the next unit."""
    line, _ = bench(lambda number, request: [(1.6, usual(request))] if number == 0 else None)
    proof = finished(endure(line, units(1, 2), RunPlan(rounds=1, pause=2.0))).proof
    assert proof.units[0].late == 1
    assert proof.units[1].failed == 0


def test_frames_nobody_asked_for_are_strays_and_spoil_the_proof() -> None:
    """Another master's request and its unit's reply arrive between two polls."""
    line, port = bench()
    port.arrive(0.5, framed(9, 3, 0, 0, 0, 1) + framed(9, 3, 2, 0, 7))
    proof = finished(endure(line, units(1), RunPlan(rounds=2, pause=1.0))).proof
    assert proof.strays == 2
    assert proof.failed == 0
    assert not proof.clean
    assert any("Unsolicited frames: " in sentence for sentence in findings(proof))


def test_a_second_reply_from_the_same_address_is_a_stray() -> None:
    """Two units at one address: the reply of the second cannot be owed."""
    line, _ = bench(lambda number, request: [(0.0, usual(request)), (0.02, usual(request))])
    proof = finished(endure(line, units(1), RunPlan(rounds=3, pause=0.1))).proof
    assert proof.strays == 2  # the second reply to the last request came after the run
    assert proof.units[0].failed == 0


def test_a_reply_to_somebody_elses_question_is_not_the_one_owed() -> None:
    """Unit 1 is silent to us; the reply to another master's read by function 4 does not make it
    late."""
    line, _ = bench(lambda number, request: [(1.1, framed(1, 4, 2, 0, 7))])
    proof = finished(endure(line, units(1), RunPlan(rounds=1))).proof
    assert proof.units[0].count(PollResult.SILENT) == 1
    assert proof.units[0].late == 0
    assert proof.strays == 1


def test_what_a_unit_owed_is_forgotten_once_it_answers() -> None:
    """Silent, then sound: a frame of its address after that is a stray, not the old reply."""
    line, port = bench(lambda number, request: [] if number == 0 else None)
    port.arrive(3.0, framed(1, 3, 2, 0, 7))
    proof = finished(endure(line, units(1), RunPlan(rounds=3, pause=1.0))).proof
    assert proof.units[0].count(PollResult.SILENT) == 1
    assert (proof.units[0].late, proof.strays) == (0, 1)


def test_the_latest_of_the_late_replies_is_kept() -> None:
    [unit] = run(
        lambda number, request: [(1.3 if number == 0 else 1.1, usual(request))], 1, rounds=2
    ).units
    assert unit.late == 2
    assert unit.latest_ms == pytest.approx(1000 * (LATENCY + SETTINGS.wire_time(7) + 1.3))


def test_noise_at_all_units_at_once_is_told_from_one_bad_unit() -> None:
    def disturbed(number: int, request: bytes) -> Answer | None:
        everywhere = number // 4 in (10, 11, 30)
        return [(0.0, bad_crc(request))] if everywhere else None

    noise = run(disturbed, 1, 2, 3, 4, rounds=60)
    assert noise.pattern.together
    assert noise.pattern.standing_out == ()
    assert any("several units at once" in sentence for sentence in findings(noise))

    def bad_unit(number: int, request: bytes) -> Answer | None:
        return [(0.0, bad_crc(request))] if request[0] == 3 and number % 3 == 0 else None

    one = run(bad_unit, 1, 2, 3, 4, rounds=60)
    assert not one.pattern.together
    assert one.pattern.standing_out == (Place(3, SETTINGS),)
    assert any("gather at unit 3 (0x03) at 9600-8E1" in sentence for sentence in findings(one))


def test_where_nobody_answers_the_cause_is_sought_in_what_all_share() -> None:
    """With every poll failed there is no pattern to speak of; with a single reply there may be
    one."""
    dead = run(lambda number, request: [], 1, 2, rounds=3)
    assert any(sentence.startswith("Not one poll was answered") for sentence in findings(dead))
    assert not any("no pattern" in sentence for sentence in findings(dead))
    nearly = run(lambda number, request: [] if number else None, 1, 2, rounds=3)
    assert not any(
        sentence.startswith("Not one poll was answered") for sentence in findings(nearly)
    )


def test_every_poll_says_what_was_counted_up_to_it() -> None:
    """In the middle of a round too, since a round of silent units takes long."""
    line, _ = bench(lambda number, request: [])
    polled = [
        event for event in endure(line, units(1, 2), RunPlan(rounds=2)) if isinstance(event, Polled)
    ]
    assert [(event.proof.polls, event.proof.failed, event.proof.rounds) for event in polled] == [
        (1, 1, 0),
        (2, 2, 0),
        (3, 3, 1),
        (4, 4, 1),
    ]


def test_units_of_the_same_settings_are_polled_together() -> None:
    line, port = bench()
    mixed = [
        target(Place(1, SETTINGS)),
        target(Place(2, OTHER)),
        target(Place(3, SETTINGS)),
        target(Place(2, SETTINGS)),
    ]
    proof = finished(endure(line, mixed, RunPlan(rounds=2))).proof
    assert [request[0] for _, request in port.sent] == [1, 3, 2, 2] * 2
    assert port.applied == [SETTINGS, OTHER, SETTINGS, OTHER]
    assert [unit.polls for unit in proof.units] == [2, 2, 2, 2]


def test_a_time_limit_is_kept_to_the_poll() -> None:
    """A round of silent units takes 1.5 s each; the run does not go on to its end."""
    line, _ = bench(lambda number, request: [] if number >= 40 else None)
    proof = finished(endure(line, units(*range(1, 41)), RunPlan(seconds=5.0))).proof
    assert proof.complete
    assert 5.0 <= proof.seconds < 6.6
    assert proof.rounds == 1
    assert {unit.polls for unit in proof.units} == {1, 2}


def test_a_time_limit_lets_each_unit_be_asked_once() -> None:
    proof = finished(endure(bench()[0], units(*range(1, 41)), RunPlan(seconds=0.1))).proof
    assert proof.complete
    assert (proof.rounds, {unit.polls for unit in proof.units}) == (1, {1})


def test_a_run_is_stopped_between_two_polls_and_keeps_its_counts() -> None:
    line, port = bench()
    stop = StopFlag()
    events = []
    for event in endure(line, units(1, 2), RunPlan(), stop=stop):
        events.append(event)
        if len(port.sent) == 5:
            stop.set()
    last = finished(events)
    assert len(port.sent) == 5
    assert not last.proof.complete
    assert last.failure is None
    assert [unit.polls for unit in last.proof.units] == [3, 2]
    assert "stopped by hand" in findings(last.proof)[-1]


def test_an_unplugged_adapter_ends_the_run_and_it_goes_on_afterwards() -> None:
    """Everything counted is kept, and after re-opening the rounds that are missing are made up."""
    line, port = bench()
    events = []
    for event in endure(line, units(1, 2), RunPlan(rounds=10)):
        events.append(event)
        port.unplugged = len(port.sent) == 7
    cut = finished(events)
    assert cut.failure is not None
    assert cut.failure.what == "The adapter is gone."
    assert cut.proof.interruption == "The adapter is gone."
    assert (cut.proof.rounds, cut.proof.polls) == (3, 7)
    line, port = bench()
    whole = finished(endure(line, units(1, 2), RunPlan(rounds=10), before=cut.proof))
    assert whole.failure is None
    assert whole.proof.complete
    assert whole.proof.interruption == ""
    assert (whole.proof.rounds, whole.proof.polls) == (10, 21)
    assert whole.proof.seconds == pytest.approx(cut.proof.seconds + port.clock.now())


def test_a_run_goes_on_from_what_the_job_stored() -> None:
    first = run(lambda number, request: [] if number == 4 else None, 1, 2, rounds=5)
    stored = stored_proof(json.loads(json.dumps(proof_document(first))))
    line, _ = bench()
    proof = finished(endure(line, units(1, 2), RunPlan(rounds=8), before=stored)).proof
    assert (proof.rounds, proof.polls, proof.failed) == (8, 16, 1)


def test_a_stored_run_of_another_format_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match=r"format 'busprobe\.proof/9'"):
        stored_proof({"format": "busprobe.proof/9"})


@pytest.mark.parametrize(
    ("targets", "words"),
    [
        ([], "There is no unit to poll"),
        (units(7, 7), r"Unit 7 \(0x07\) at 9600-8E1 is given twice"),
        ([PollTarget(Place(7, SETTINGS), ())], r"Unit 7 \(0x07\) at 9600-8E1 is asked nothing"),
    ],
)
def test_targets_that_cannot_be_polled_are_refused_in_words(
    targets: list[PollTarget], words: str
) -> None:
    line, _ = bench()
    with pytest.raises(UsageError, match=words):
        endure(line, targets, RunPlan(rounds=1))


def test_going_on_with_other_units_is_refused_in_words() -> None:
    line, _ = bench()
    with pytest.raises(UsageError, match="polled other units"):
        endure(line, units(1, 3), RunPlan(rounds=1), before=run(well, 1, 2))


def test_evidence_is_kept_up_to_its_bound() -> None:
    [unit] = run(
        lambda number, request: [(0.0, bad_crc(request))], 1, rounds=2 * EVIDENCE_KEPT
    ).units
    assert len(unit.evidence) == EVIDENCE_KEPT
    assert unit.evidence[0].request == "01 03 00 00 00 01 84 0A"
    assert unit.evidence[0].words.startswith("CRC bad, head ok: 01 03 02 00 00")


def test_a_profile_says_what_is_asked() -> None:
    """All points of the demo flow meter, by function 3; without a profile it is holding register
    0."""
    profile = load_profile(SHIPPED / "eskbridge-ef-5.toml")
    asked = target(Place(9, SETTINGS), profile).requests
    assert {request.function for request in asked} == {Function.READ_HOLDING_REGISTERS}
    assert sum(request.quantity for request in asked) == sum(
        point.count for point in profile.points
    )
    assert [request.frame for request in target(Place(1, SETTINGS)).requests] == [
        bytes.fromhex("010300000001840A")
    ]


def test_the_cycle_of_a_polling_table_is_what_the_bus_takes() -> None:
    """Calculated and measured agree to the resolution of the measurement, 0.1 ms.

    The line keeps one character more of silence at each of the two changes of settings in a round.
    """
    wanted = (
        Wanted("a", Block(3, 0, 2), 1.0),
        Wanted("b", Block(3, 4, 2), 1.0),
        Wanted("c", Block(4, 50, 10), 1.0),
    )
    table = polling_table(
        [
            PolledUnit(Place(1, SETTINGS), wanted, LATENCY),
            PolledUnit(Place(2, OTHER), wanted, LATENCY),
            PolledUnit(Place(3, OTHER), (), 0),
        ]
    )
    line, _ = bench()
    proof = finished(endure(line, table_targets(table), RunPlan(rounds=5))).proof
    assert proof.polls == 5 * len(table.rows) == 20
    switching = SETTINGS.character_time + OTHER.character_time
    assert proof.round_times.median == pytest.approx(table.cycle_s + switching, abs=1e-4)


def test_the_share_of_time_with_bits_on_the_pair_is_measured() -> None:
    proof = run(well, 1, rounds=50)
    assert proof.wire_share == pytest.approx(
        SETTINGS.wire_time(15) / exchange_time(SETTINGS, 8, 7, LATENCY), rel=0.01
    )


PIECES = st.one_of(
    st.just(None),
    st.lists(st.tuples(st.floats(0, 2.5), st.binary(min_size=1, max_size=9)), max_size=2),
    st.tuples(st.floats(0, 2.5), st.integers(1, 3)).map(
        lambda late: [(late[0], framed(late[1], 3, 2, 0, 0))]
    ),
)


@settings(max_examples=60)
@given(st.lists(PIECES, min_size=1, max_size=12))
def test_whatever_comes_each_poll_is_counted_once_and_the_proof_can_be_stored(
    answers: list[Answer | None],
) -> None:
    proof = run(lambda number, request: answers[number % len(answers)], 1, 2, 3, rounds=4)
    for unit in proof.units:
        assert unit.polls == 4
        assert sum(unit.count(kind) for kind in PollResult) == 4
        assert 0 <= unit.failed <= 4
        assert all(number >= 0 for number in unit.verdicts.values())
        assert unit.failed_rounds <= proof.rounds == 4
    assert proof.clean is (proof.failed == 0 and proof.strays == 0)
    document = json.loads(json.dumps(proof_document(proof)))
    assert proof_document(stored_proof(document)) == document


def test_what_was_counted_is_given_out_now_and_then_and_keeping_it_takes_no_time_of_the_run() -> (
    None
):
    """In the middle of a long round too; a slow disk is neither a slow bus nor a longer run."""
    line, _ = bench(well)
    plan = RunPlan(rounds=3, report_every=0.5)
    undisturbed = finished(endure(line, units(*range(1, 41)), plan)).proof
    kept = []
    for event in endure(line, units(*range(1, 41)), plan):
        match event:
            case RunProgress(proof):
                kept.append(proof.polls)
                line.clock.sleep_until(line.clock.now() + 7)
            case RunFinished(proof):
                assert proof.seconds == pytest.approx(undisturbed.seconds, abs=0.1)
                assert proof.round_times.maximum == pytest.approx(
                    undisturbed.round_times.maximum, abs=0.1
                )
    assert len(kept) >= 3
    assert kept == sorted(kept)
    assert kept[0] % 40, "the first was in the middle of a round"

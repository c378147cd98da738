"""Pictures of trouble on the virtual segment, recognised without being told, and asserted only when
one cause fits."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.echo import Echo
from busprobe.line.exchange import Ending, Exchange, Heard, Waits
from busprobe.line.line import Line
from busprobe.line.line_errors import LineErrors
from busprobe.line.port import Chunk
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, read_registers
from busprobe.virtual.schema import OtherMaster, Poll
from busprobe.wiring.causes import Cause
from busprobe.wiring.evidence import LineEvidence
from busprobe.wiring.hunt import probes
from busprobe.wiring.symptoms import diagnose
from tests.wiring.bench import USUAL, certain_causes, examine, first_causes, segment

MASTER = OtherMaster(
    settings=USUAL,
    period=1.0,
    start=0.4,
    jitter=0.05,
    polls=(
        Poll(address=11, function=4, at=1, count=2),
        Poll(address=21, function=4, at=0, count=6),
    ),
)


def master(line_settings: str) -> OtherMaster:
    return MASTER.model_copy(update={"settings": LineSettings.parse(line_settings)})


def test_a_sound_pair_gives_nothing_to_say() -> None:
    """Six units, all answering, nobody else: no observation at all."""
    assert diagnose(examine(segment("clean"))) == ()
    assert diagnose(examine(segment("echo"))) == ()


def test_another_master_is_asserted_by_its_frames() -> None:
    """Whole frames with nobody asked have one explanation."""
    observations = diagnose(examine(segment("second-master")))
    assert certain_causes(observations) == {Cause.OTHER_MASTER}
    assert first_causes(observations)[0] is Cause.OTHER_MASTER
    assert "unit address 11" in observations[0].seen


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [
        ("9600-8N1", "19200-8N1"),
        ("4800-8N1", "9600-8N1"),
        ("9600-8E1", "38400-8N1"),
        ("9600-8N1", "57600-8N1"),
    ],
)
def test_traffic_at_a_lower_baud_rate_is_named_with_that_rate(theirs: str, ours: str) -> None:
    """Bits seen two or four times each: the other baud rate is told."""
    observations = diagnose(
        examine(segment("clean", other_master=master(theirs)), LineSettings.parse(ours), rounds=1)
    )
    hint = observations[0].hints[0]
    assert hint.cause is Cause.WRONG_BAUD
    assert f"about {LineSettings.parse(theirs).baud} baud" in hint.detail


@pytest.mark.parametrize(
    ("theirs", "ours"),
    [("9600-8N1", "4800-8N1"), ("9600-8N1", "115200-8N1"), ("9600-8N1", "9600-8E1")],
)
def test_traffic_that_cannot_be_told_leaves_several_causes(theirs: str, ours: str) -> None:
    """A receiver too slow, far too fast, or of another format: another baud rate is likeliest, and
    not asserted."""
    observations = diagnose(
        examine(segment("clean", other_master=master(theirs)), LineSettings.parse(ours), rounds=1)
    )
    assert observations[0].hints[0].cause is Cause.WRONG_BAUD
    assert certain_causes(observations) == set()


def test_a_frame_found_by_chance_in_much_garbage_is_no_master() -> None:
    """One window in 65536 has a right CRC: a single frame in 2000 bytes asserts nothing."""
    frame = read_registers(11, Function.READ_HOLDING_REGISTERS, 0, 1).frame
    garbage = Random(5).randbytes(1000) + frame + Random(6).randbytes(1000)  # noqa: S311 - the same garbage each time
    observations = diagnose(LineEvidence(USUAL, Heard(20.0, (Chunk(1.0, garbage),))))
    assert len(observations) == 1
    assert certain_causes(observations) == set()
    (alone,) = diagnose(LineEvidence(USUAL, Heard(20.0, (Chunk(1.0, frame),))))
    assert certain_causes((alone,)) == {Cause.OTHER_MASTER}


def test_flagged_bytes_between_sound_frames_do_not_speak_of_parity() -> None:
    """Flags count only within frames that have a right CRC."""
    frame = read_registers(11, Function.READ_HOLDING_REGISTERS, 0, 1).frame
    chunks = tuple(Chunk(0.1 * count, frame + b"\x55", (len(frame),)) for count in range(6))
    assert certain_causes(diagnose(LineEvidence(USUAL, Heard(1.0, chunks)))) == {Cause.OTHER_MASTER}
    chunks = tuple(Chunk(0.1 * count, frame, (1, 3)) for count in range(6))
    assert Cause.WRONG_FORMAT in certain_causes(diagnose(LineEvidence(USUAL, Heard(1.0, chunks))))


def test_damage_by_anothers_traffic_is_put_down_to_it_first() -> None:
    """A master at another baud rate talks into our exchanges: it comes before noise and clashes."""
    evidence = examine(segment("clean", other_master=master("4800-8N1")), rounds=20)
    damaged = [observation for observation in diagnose(evidence) if "damaged" in observation.seen]
    assert first_causes(tuple(damaged)) == [Cause.OTHER_MASTER]


def test_a_parity_that_differs_alone_shows_in_flags() -> None:
    """Frames with a right CRC whose bytes are flagged: same baud rate, another format."""
    evidence = examine(
        segment("clean", other_master=master("9600-8N2")), LineSettings.parse("9600-8E1"), rounds=1
    )
    assert certain_causes(diagnose(evidence)) == {Cause.OTHER_MASTER, Cause.WRONG_FORMAT}


def test_a_pair_swapped_at_the_adapter_comes_first_and_is_not_asserted() -> None:
    """Everybody silent with a 00 after each request: an adapter's glitch looks the same."""
    observations = diagnose(examine(segment("clean", adapter={"swapped": True})))
    assert first_causes(observations) == [Cause.SWAPPED_AT_ADAPTER]
    assert Cause.ADAPTER_GLITCH in {hint.cause for hint in observations[0].hints}
    assert "Swap the two wires at the adapter" in observations[0].hints[0].action


def test_anothers_traffic_through_a_swapped_adapter_is_seen_as_the_complement() -> None:
    """Mostly ones where register data has zeros."""
    observations = diagnose(examine(segment("second-master", adapter={"swapped": True})))
    assert observations[0].hints[0].cause is Cause.SWAPPED_AT_ADAPTER
    assert certain_causes(observations) == set()


def test_swapped_and_another_baud_rate_at_once_are_both_named() -> None:
    """Two faults at the same time: neither hides the other, neither is asserted."""
    evidence = examine(
        segment("second-master", adapter={"swapped": True}), LineSettings.parse("19200-8N1")
    )
    observations = diagnose(evidence)
    assert {hint.cause for hint in observations[0].hints} == {
        Cause.WRONG_BAUD,
        Cause.SWAPPED_AT_ADAPTER,
    }
    assert certain_causes(observations) == set()


def test_a_pair_swapped_at_one_unit_is_one_of_several_reasons_for_its_silence() -> None:
    """From the adapter a swapped unit and an absent one look alike: both are told, with what to
    do."""
    swapped = diagnose(examine(segment("swapped")))
    absent_segment = segment("clean")
    absent_segment.connect("io-101", connected=False)
    assert swapped == diagnose(examine(absent_segment))
    (observation,) = swapped
    assert "No reply from unit 31," in observation.seen
    assert {Cause.SWAPPED_AT_UNIT, Cause.NO_SUPPLY, Cause.BROKEN_WIRE} <= {
        hint.cause for hint in observation.hints
    }


def test_silence_where_nobody_is_expected_says_nothing() -> None:
    """A survey asks many empty addresses."""
    evidence = examine(segment("swapped"))
    assert diagnose(LineEvidence(evidence.settings, evidence.idle, evidence.replies)) == ()


def test_missing_bias_is_asserted_only_by_junk_with_and_without_replies() -> None:
    """Irregular junk around sound replies and with nobody asked: nothing else does both."""
    floating: dict[str, Any] = {"wires": {"biased": False}, "adapter": {"failsafe": False}}
    observations = diagnose(examine(segment("clean", **floating)))
    assert first_causes(observations) == [Cause.MISSING_BIAS, Cause.MISSING_BIAS]
    assert certain_causes(observations) == {Cause.MISSING_BIAS}


def test_missing_bias_with_a_glitching_adapter_leaves_both_open() -> None:
    """The scenario has both faults, and both are named."""
    observations = diagnose(examine(segment("stray-bytes")))
    assert {Cause.MISSING_BIAS, Cause.ADAPTER_GLITCH} <= {
        hint.cause for o in observations for hint in o.hints
    }
    assert certain_causes(observations) == set()


def test_a_glitching_adapter_is_told_by_its_regularity() -> None:
    """The same single byte before every reply: the adapter first, bias second."""
    (observation,) = diagnose(examine(segment("clean", adapter={"glitch": True})))
    assert [hint.cause for hint in observation.hints] == [Cause.ADAPTER_GLITCH, Cause.MISSING_BIAS]


@pytest.mark.parametrize("hold", [0.0115, 0.012, 0.013, 0.0145])
def test_late_turn_round_is_recognised_by_what_is_left_of_quick_replies(hold: float) -> None:
    """Their first bytes are lost or garbled; put back, the CRC is right.  Late drivers of units
    look alike."""
    observations = diagnose(examine(segment("late-turnaround", adapter={"holds_on": hold})))
    assert "at the front" in observations[0].seen
    assert set(first_causes(observations)) == {
        Cause.ADAPTER_HOLDS_ON
    }  # also of what is past mending
    assert Cause.UNIT_DRIVES_LATE in {hint.cause for hint in observations[0].hints}
    assert certain_causes(observations) == set()


def test_replies_drowned_altogether_are_silence_that_may_be_the_adapters() -> None:
    """An adapter that holds on for 20 ms swallows what begins meanwhile, as if nobody were
    there."""
    silent = diagnose(examine(segment("late-turnaround", adapter={"holds_on": 0.02})))[0]
    assert silent.seen == "No reply from units 11-12,31, while others answered."
    assert Cause.ADAPTER_HOLDS_ON in {hint.cause for hint in silent.hints}


@pytest.mark.parametrize("adapter", [{}, {"echo": True}, {"swapped": True}])
def test_a_stuck_driver_is_among_the_causes_and_not_asserted(adapter: dict[str, Any]) -> None:
    """Held at space, an adapter sees a break after each request like a swapped one; with an echo it
    sees nothing."""
    observations = diagnose(examine(segment("stuck", adapter=adapter)))
    assert len(observations) == 1
    assert Cause.STUCK in {hint.cause for hint in observations[0].hints}
    assert observations[0].certain is None


def test_a_driver_that_sticks_while_one_listens_is_told_by_its_break() -> None:
    """One byte 00 without a stop bit, then nothing and no reply."""
    stuck = segment("stuck")
    stuck.connect("em-101", connected=False)
    line = Line(stuck.port(), USUAL)
    stuck.connect("em-101", connected=True)
    broken, silent = diagnose(LineEvidence(USUAL, line.listen(5.0), examine(stuck).replies))
    assert "The receiver flags it, as a break" in broken.seen
    assert all(
        Cause.STUCK in {hint.cause for hint in each.hints} and each.certain is None
        for each in (broken, silent)
    )


def test_a_reply_to_an_earlier_question_is_late_and_not_damaged() -> None:
    """A unit that takes 0.8 s is given up after 0.5 s, and answers into the next question: no
    clash, no bad CRC."""
    line = Line(segment("slow").port(), USUAL)
    replies = [
        judge(asked, line.exchange(asked, Waits(reply=0.5)))
        for unit in (11, 41)
        for asked in probes(unit)
    ]
    (late,) = diagnose(LineEvidence(USUAL, None, replies, (11, 41)))
    assert late.seen.startswith("1 valid reply from unit 41 answered an earlier request")
    assert [hint.cause for hint in late.hints] == [Cause.SLOW_UNIT, Cause.OTHER_MASTER]


@pytest.mark.parametrize("count", [1, 2])
def test_what_is_seen_agrees_with_its_number(count: int) -> None:
    """One reply is damaged, two replies are."""
    request = read_registers(5, Function.READ_HOLDING_REGISTERS, 0, 1)
    chunk = Chunk(0.02, bytes.fromhex("05 03 02 41 42 43 44"))
    exchange = Exchange(request.frame, USUAL, 0.0, 0.01, 0.2, (chunk,), Echo.NONE, Ending.SILENCE)
    (observation,) = diagnose(LineEvidence(USUAL, None, [judge(request, exchange)] * count))
    assert observation.seen.startswith(
        {
            1: "1 of 1 reply is damaged, at unit 5: 05 03",
            2: "2 of 2 replies are damaged, at unit 5: 05 03",
        }[count]
    )


@pytest.mark.parametrize("seed", range(6))
def test_noise_is_never_taken_for_anything_else(seed: int) -> None:
    """Bit errors everywhere, some in the first bytes of replies: nothing is asserted."""
    observations = diagnose(
        examine(segment("clean", seed=seed, wires={"bit_errors": 0.004}), rounds=12)
    )
    assert certain_causes(observations) == set()
    assert Cause.NOISE in {hint.cause for observation in observations for hint in observation.hints}


@pytest.mark.parametrize("seed", range(4))
def test_a_clash_comes_first_where_one_address_alone_is_damaged(seed: int) -> None:
    """Two units at one address among clean neighbours."""
    shared = segment("clash", seed=seed)
    evidence = examine(shared, rounds=10)
    damaged = [observation for observation in diagnose(evidence) if "damaged" in observation.seen]
    assert damaged
    assert damaged[0].hints[0].cause is Cause.CLASH
    assert damaged[0].certain is None


FLOATING: dict[str, Any] = {
    "wires": {"biased": False, "bit_errors": 0.003},
    "adapter": {"failsafe": False},
}


@pytest.mark.parametrize(
    ("name", "changes", "true"),
    [
        ("swapped", {}, set()),
        ("mixed", {}, set()),
        ("impostor", {}, set()),
        ("clean", {"wires": {"bit_errors": 0.02}}, set()),
        ("clash", {"wires": {"bit_errors": 0.005}}, set()),
        ("clash", {"adapter": {"lump": 0.016}}, set()),
        ("clean", FLOATING, {Cause.MISSING_BIAS}),
        ("late-turnaround", {"wires": {"bit_errors": 0.003}}, {Cause.ADAPTER_HOLDS_ON}),
        ("stuck", {"wires": {"bit_errors": 0.003}}, {Cause.STUCK}),
        (
            "stuck",
            {"adapter": {"failsafe": False}, "wires": {"biased": False}},
            {Cause.STUCK, Cause.MISSING_BIAS},
        ),
        ("stray-bytes", {}, {Cause.MISSING_BIAS, Cause.ADAPTER_GLITCH}),
        ("second-master", {"wires": {"bit_errors": 0.005}}, {Cause.OTHER_MASTER}),
        ("second-master", {"adapter": {"swapped": True}}, {Cause.OTHER_MASTER}),
    ],
)
@pytest.mark.parametrize("seed", range(3))
def test_nothing_is_asserted_that_is_not_so(
    name: str, changes: dict[str, Any], true: set[Cause], seed: int
) -> None:
    """Faults, mixed faults and noise, at right and wrong settings: whatever is certain is true."""
    for ours in ("9600-8N1", "38400-8N1"):
        at_theirs = ours == "9600-8N1"
        others = {Cause.WRONG_BAUD} if name == "second-master" and not at_theirs else set()
        evidence = examine(segment(name, seed=seed, **changes), LineSettings.parse(ours), rounds=4)
        assert certain_causes(diagnose(evidence)) <= true | others


def test_a_wrong_setting_of_ours_is_silence_with_many_causes() -> None:
    """Nobody answers at the wrong baud rate, and nothing is asserted of it."""
    (observation,) = diagnose(examine(segment("clean"), LineSettings.parse("19200-8E1"), rounds=1))
    assert observation.hints[0].cause is Cause.UNIT_SET_OTHERWISE
    assert len(observation.hints) > 3
    echoing = diagnose(examine(segment("echo"), LineSettings.parse("19200-8E1"), rounds=1))
    assert "the adapter does send" in echoing[0].seen
    assert Cause.ADAPTER_LETS_GO not in {hint.cause for hint in echoing[0].hints}


def test_a_stuck_line_is_a_stream_of_spaces_that_does_not_end() -> None:
    """00 after 00 for as long as one listens: stuck, shorted or reversed bias, and not asserted."""
    stream = tuple(Chunk(0.001 * count, b"\x00", (0,)) for count in range(5000))
    (observation,) = diagnose(LineEvidence(USUAL, Heard(5.0, stream)))
    assert [hint.cause for hint in observation.hints[:2]] == [Cause.STUCK, Cause.REVERSED_BIAS]


@pytest.mark.parametrize(
    ("heard", "cause"),
    [
        ("F5 F3 D3 9A FE F9 B9 A5", Cause.ADAPTER_TOO_SLOW),
        ("05 03 13 9A 00 01 A1", Cause.ADAPTER_LETS_GO),
    ],
)
def test_an_echo_that_is_not_our_own_frame_points_at_the_adapter(heard: str, cause: Cause) -> None:
    """The first is a capture published in a forum: sent 05 03 13 9A 00 01 A1 25, only ones
    added."""
    request = read_registers(5, Function.READ_HOLDING_REGISTERS, 0x139A, 1)
    assert request.frame.hex(" ").upper() == "05 03 13 9A 00 01 A1 25"
    exchange = Exchange(
        request.frame,
        USUAL,
        0.0,
        0.01,
        0.2,
        (Chunk(0.02, bytes.fromhex(heard)),),
        Echo.NONE,
        Ending.SILENCE,
    )
    observations = diagnose(LineEvidence(USUAL, None, [judge(request, exchange)] * 3))
    assert certain_causes(observations) == {cause}


@pytest.mark.parametrize(
    ("heard", "cause"),
    [
        ("05 03 13 9A 00 03 A1 25", Cause.ADAPTER_TOO_SLOW),
        ("05 03 13 9A 00 01 A1", Cause.ADAPTER_LETS_GO),
    ],
)
def test_one_echo_that_is_damaged_may_be_noise(heard: str, cause: Cause) -> None:
    """A bit turned over, or a start bit missed, in one exchange of several."""
    request = read_registers(5, Function.READ_HOLDING_REGISTERS, 0x139A, 1)
    replies = [
        judge(
            request,
            Exchange(request.frame, USUAL, 0.0, 0.01, 0.2, chunks, Echo.NONE, Ending.SILENCE),
        )
        for chunks in ((Chunk(0.02, bytes.fromhex(heard)),), (), ())
    ]
    first, *_ = diagnose(LineEvidence(USUAL, None, replies))
    assert first.hints[0].cause is cause
    assert Cause.NOISE in {hint.cause for hint in first.hints}


@pytest.mark.parametrize("seed", range(3))
def test_noise_on_an_echo_is_not_put_down_to_the_adapter(seed: int) -> None:
    evidence = examine(segment("echo", seed=seed, wires={"bit_errors": 0.004}), rounds=6)
    assert certain_causes(diagnose(evidence)) == set()


def sound(errors: LineErrors | None = None, bad: tuple[int, ...] = ()) -> Reply:
    """An exchange with the example of MODBUS Application Protocol V1.1b3, section 6.3."""
    request = read_registers(1, Function.READ_HOLDING_REGISTERS, 107, 3)
    chunk = Chunk(0.05, bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A"), bad)
    return judge(
        request,
        Exchange(
            request.frame, USUAL, 0, 0.01, 0.1, (chunk,), Echo.NONE, Ending.LENGTH, b"", errors
        ),
    )


def test_counters_that_stand_still_say_nothing() -> None:
    evidence = LineEvidence(
        USUAL, Heard(5.0, (), LineErrors()), [sound(LineErrors()), sound()], (1,)
    )
    assert diagnose(evidence) == ()


def test_a_break_without_a_byte_is_told_by_the_counter() -> None:
    """A receiver tells a stuck pair by one break, before we came perhaps."""
    (observation,) = diagnose(LineEvidence(USUAL, Heard(5.0, (), LineErrors(breaks=1))))
    assert (
        "No byte came in 5.0 s without a request, yet the system counted 1 break."
        in observation.seen
    )
    assert observation.hints[0].cause is Cause.STUCK
    assert observation.certain is None


def test_a_flagged_zero_on_an_idle_pair_is_named_a_break() -> None:
    heard = Heard(5.0, (Chunk(1.0, b"\x00", (0,)),), LineErrors(breaks=1))
    (observation,) = diagnose(LineEvidence(USUAL, heard))
    assert "The receiver flags it, as a break or a 00 without a stop bit." in observation.seen
    assert "The system counted 1 break." in observation.seen
    assert {Cause.STUCK, Cause.MISSING_BIAS} <= {hint.cause for hint in observation.hints}


def test_flags_in_some_sound_frames_leave_several_causes_and_in_most_one() -> None:
    """A bit turned over in a parity or stop bit leaves the CRC right; another format flags nearly
    all."""
    (some,) = diagnose(LineEvidence(USUAL, None, [sound(bad=(3,)), *(sound() for _ in range(9))]))
    assert some.hints[0].cause is Cause.NOISE
    assert some.certain is None
    assert certain_causes(diagnose(LineEvidence(USUAL, None, [sound(bad=(0, 1, 2))] * 4))) == {
        Cause.WRONG_FORMAT
    }


def test_counted_errors_are_not_tied_to_bytes_and_so_assert_nothing() -> None:
    """Windows flags and Linux counters: another format comes first where most exchanges have them,
    noise elsewhere."""
    counted = LineErrors(parity=4, at_least=True)
    (most,) = diagnose(LineEvidence(USUAL, None, [sound(counted)] * 4))
    assert "at least 16 parity errors" in most.seen
    assert most.hints[0].cause is Cause.WRONG_FORMAT
    assert most.certain is None
    (few,) = diagnose(LineEvidence(USUAL, None, [sound(counted), *[sound(LineErrors())] * 9]))
    assert few.hints[0].cause is Cause.NOISE


def test_lost_characters_are_the_computers_own() -> None:
    evidence = LineEvidence(USUAL, Heard(5.0, (), LineErrors(lost=2)), [sound(LineErrors(lost=3))])
    (observation,) = diagnose(evidence)
    assert "lost 5 characters" in observation.seen
    assert certain_causes((observation,)) == {Cause.BYTES_LOST}


def test_one_silent_unit_asked_alone_may_be_swapped_itself() -> None:
    """Nobody else was asked who might have told the unit from the pair."""
    evidence = examine(segment("swapped"))
    alone = [reply for reply in evidence.replies if reply.request.address == 31]
    (observation,) = diagnose(LineEvidence(USUAL, evidence.idle, alone))
    assert {Cause.SWAPPED_AT_UNIT, Cause.SWAPPED_AT_ADAPTER} <= {
        hint.cause for hint in observation.hints
    }


@settings(max_examples=60)
@given(st.binary(max_size=60), st.lists(st.binary(max_size=20), max_size=6), st.integers(1, 247))
def test_any_bytes_give_a_diagnosis_with_actions(
    idle: bytes, received: list[bytes], address: int
) -> None:
    """No bytes make the diagnosis fail, and each hint says what to do."""
    request = read_registers(address, Function.READ_HOLDING_REGISTERS, 0, 1)
    replies = [
        judge(
            request,
            Exchange(
                request.frame,
                USUAL,
                0,
                0.01,
                0.2,
                (Chunk(0.02, data),) if data else (),
                Echo.NONE,
                Ending.SILENCE,
            ),
        )
        for data in received
    ]
    heard = Heard(3.0, (Chunk(1.0, idle),) if idle else ())
    for observation in diagnose(LineEvidence(USUAL, heard, replies, (address,))):
        assert observation.seen
        assert all(hint.action for hint in observation.hints)
        assert len({hint.cause for hint in observation.hints}) == len(observation.hints)

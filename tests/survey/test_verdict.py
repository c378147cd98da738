from __future__ import annotations

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.echo import Echo
from busprobe.line.exchange import PULSES, Ending, Exchange
from busprobe.line.port import Chunk
from busprobe.modbus.replies import Reply, judge
from busprobe.modbus.requests import Function, Request, read_registers, report_server_id
from busprobe.modbus.traffic import Frame
from busprobe.survey.collision import overlaps
from busprobe.survey.findings import Kind
from busprobe.survey.interference import (
    can_answer,
    extra_frames,
    foreign_frames,
    is_silence,
    stray_bytes,
)
from busprobe.survey.probes import ladder, refused_by_all
from busprobe.survey.verdict import analyse
from tests.survey.scripted import SETTINGS, frame

READ = read_registers(5, Function.READ_HOLDING_REGISTERS, 0, 1)
REFUSED = frame(5, 0x83, 2)
VALUE = frame(5, 3, 2, 1, 44)


def reply(received: bytes, request: Request = READ, leftover: bytes = b"") -> Reply:
    chunks = (Chunk(1.0, received),) if received else ()
    ending = Ending.LENGTH if received else Ending.TIMEOUT
    return judge(
        request,
        Exchange(request.frame, SETTINGS, 0.0, 0.5, 1.1, chunks, Echo.NONE, ending, leftover),
    )


def kind(received: Sequence[bytes], request: Request = READ, *, noisy: bool = False) -> Kind:
    return analyse([reply(data, request) for data in received], noisy=noisy).kind


@given(st.lists(st.binary(max_size=20), max_size=12), st.booleans())
def test_any_bytes_are_judged(received: list[bytes], noisy: bool) -> None:
    replies = [reply(data, request) for data, request in zip(received, ladder(5) * 2, strict=False)]
    result = analyse(replies, noisy=noisy)
    assert result.kind in Kind
    present = any(r.present for r in replies)
    assert result.kind is not Kind.UNIT or present


@settings(max_examples=60)
@given(
    st.lists(
        st.binary(min_size=4, max_size=12).filter(lambda b: 5 not in b), min_size=1, max_size=12
    )
)
def test_bytes_without_the_asked_address_are_never_a_unit_nor_a_clash(
    received: list[bytes],
) -> None:
    assert kind(received) in (Kind.SILENT, Kind.UNSURE)


@given(st.integers(1, 12), st.lists(st.sampled_from(PULSES), max_size=3))
def test_pulses_are_silence(count: int, pulses: list[int]) -> None:
    assert is_silence(reply(bytes(pulses)))
    assert kind([bytes(pulses)] * count) is Kind.SILENT


def test_pulses_are_cut_off_at_both_ends_only() -> None:
    assert stray_bytes(b"\x00\xff\x05\x00\x83\xfc") == 3


def test_one_unit_that_always_says_the_same_is_a_unit() -> None:
    assert kind([VALUE] * 5) is Kind.UNIT


def test_a_busy_unit_is_one_unit() -> None:
    """Exceptions 5 and 6 come and go (V1.1b3 section 7)."""
    assert kind([VALUE, frame(5, 0x83, 6)] * 4) is Kind.UNIT


def test_answered_and_refused_by_turns_is_a_clash() -> None:
    assert kind([VALUE, REFUSED] * 3) is Kind.CLASH


def test_a_reply_and_one_more_is_a_clash_only_if_none_was_owed() -> None:
    assert kind([VALUE + VALUE]) is Kind.CLASH
    late = [reply(b""), reply(VALUE, leftover=VALUE)]
    assert analyse(late, noisy=False).kind is Kind.UNIT


def test_a_server_id_that_changes_with_each_reply_is_no_second_unit() -> None:
    """Some makers put counters into it; two units repeat what they said."""
    asked = report_server_id(5)
    ids = [frame(5, 17, 3, 0x41, number, 0xFF) for number in range(6)]
    assert kind(ids, asked) is Kind.UNIT
    assert kind([ids[0], ids[1]] * 2, asked) is Kind.CLASH


def test_refusals_overlaid_with_an_offset_are_a_clash_on_a_quiet_pair_only() -> None:
    """Met on the virtual segment, where replies overlap bit by bit; a wreck of another kind is
    none."""
    overlaid = [
        bytes.fromhex(text)
        for text in ("05 83 02 00 81 30", "05 00 30", "00 81 80 FC", "05 83 02 00 81 30")
    ]
    assert kind(overlaid, refused_by_all(5)) is Kind.CLASH
    assert kind(overlaid, refused_by_all(5), noisy=True) in (Kind.SILENT, Kind.UNSURE)
    assert kind([data + b"\x11" for data in overlaid], refused_by_all(5)) is not Kind.CLASH


def test_a_unit_that_computes_a_wrong_crc_is_not_called_a_clash() -> None:
    """Always the same wrong reply, and never a sound one to anything: it cannot be told who is
    there."""
    wrong = VALUE[:-1] + bytes((VALUE[-1] ^ 0xFF,))
    assert kind([wrong] * 8) is Kind.UNSURE


def test_a_few_wrong_bits_now_and_then_are_one_unit() -> None:
    hit = bytes((*VALUE[:4], VALUE[4] ^ 8, *VALUE[5:]))
    assert kind([VALUE, hit, VALUE, VALUE, hit, hit, VALUE]) is Kind.UNIT


def test_what_passes_by_between_another_master_and_its_unit_is_not_sure_to_be_an_answer_to_us() -> (
    None
):
    theirs = frame(5, 3, 0, 0, 0, 2)
    heard = [
        reply(theirs),
        reply(b""),
        reply(VALUE),
        *[reply(b"")] * 6,
        reply(theirs),
        reply(b""),
        reply(VALUE),
    ]
    seen = analyse(heard, noisy=False)
    assert seen.kind is Kind.UNSURE
    assert "Another master asks it" in seen.notes[0]
    assert not any("not what the standard" in note for note in seen.notes)
    assert analyse([*heard, *[reply(VALUE)] * 6], noisy=False).kind is Kind.UNIT


def test_twins_whose_replies_meet_now_and_then_are_told_by_the_shape_of_the_wrecks() -> None:
    """Alike in all they say; what the pair makes of it when one comes a little later is worked out
    bit by bit."""
    met = sorted(overlaps(VALUE, VALUE, SETTINGS))[::40]
    assert len(met) > 2
    seen = analyse([reply(data) for data in (*[VALUE] * 20, *met)], noisy=False)
    assert seen.kind is Kind.CLASH
    assert "replies alike" in seen.notes[0]
    hit = [bytes((*VALUE[:at], VALUE[at] ^ 8, *VALUE[at + 1 :])) for at in (3, 4, 5)]
    assert kind([*[VALUE] * 20, *hit]) is Kind.UNIT


def test_noise_in_the_first_bytes_is_no_late_turn_round() -> None:
    """An adapter that turns round too late takes bytes away; noise only changes them."""
    words = "switches to receive too late"
    whole = [VALUE] * 8
    changed = analyse(
        [reply(data) for data in (*whole, *(bytes((n, *VALUE[1:])) for n in (4, 7, 21)))],
        noisy=False,
    )
    shortened = analyse(
        [reply(data) for data in (*whole, *(VALUE[cut:] for cut in (1, 2, 1)))], noisy=False
    )
    assert changed.kind is Kind.UNIT
    assert not any(words in note for note in changed.notes)
    assert any(words in note for note in shortened.notes)


@given(st.integers(1, 247), st.integers(1, 247))
def test_frames_of_others_are_told_from_late_replies(one: int, other: int) -> None:
    asked = read_registers(one, Function.READ_HOLDING_REGISTERS, 0, 1)
    answer = frame(other, 3, 2, 0, 7)
    assert can_answer(Frame(answer), asked) is (one == other)
    around = reply(b"", asked, leftover=answer)
    assert bool(foreign_frames([around])) is (one != other)
    assert bool(extra_frames([around])[0]) is (one == other)


def test_a_request_of_another_master_answers_nothing() -> None:
    asked = read_registers(5, Function.READ_HOLDING_REGISTERS, 0, 1)
    theirs = frame(5, 3, 0, 0, 0, 1)
    assert not extra_frames([reply(b"", asked, leftover=theirs)])[0]
    assert foreign_frames([reply(b"", asked, leftover=theirs)])


def test_a_reply_whose_head_happens_to_be_a_sound_request_is_still_a_reply() -> None:
    """Met on the virtual segment: the first 8 of these 9 bytes have a right CRC too."""
    both = bytes.fromhex("05 04 04 C8 DC 43 68 71 00")
    asked = read_registers(5, Function.READ_INPUT_REGISTERS, 0, 2)
    around = reply(b"", asked, leftover=both)
    assert [f.data for f in extra_frames([around])[0]] == [both]
    assert not foreign_frames([around])


def test_a_refusal_that_may_be_a_late_reply_to_another_request_is_no_second_unit() -> None:
    """A moody unit refuses one register and has another; its refusal comes when that is asked."""
    unanswered = reply(b"", refused_by_all(5))
    by_turns = [reply(VALUE), unanswered, reply(REFUSED)] * 4
    assert analyse(by_turns, noisy=False).kind is Kind.UNIT
    prompt = [each for each in by_turns if each is not unanswered]
    assert analyse(prompt, noisy=False).kind is Kind.CLASH

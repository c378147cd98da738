from __future__ import annotations

import random

import pytest

from busprobe.files.documents import to_document
from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.framing import crc
from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import Function
from busprobe.survey.close_look import Examination, examine
from busprobe.survey.findings import Kind
from busprobe.survey.probes import Probe
from tests.survey.scripted import SETTINGS, Answers, ScriptedPort, frame, registers, together


def look(answers: Answers, address: int = 5) -> Examination:
    return examine(Line(ScriptedPort(answers), SETTINGS), address)


def mapped(change: dict[bytes, bytes] | None = None, otherwise: bytes = b"") -> Answers:
    """Whatever the request, `otherwise`; unless its first two bytes are in `change`."""

    def answers(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        reply = (change or {}).get(request[:2], otherwise)
        return [(0.02, reply)] if reply else []

    return answers


def test_nobody_is_silent_after_every_kind_of_probe_with_the_whole_wait() -> None:
    port = ScriptedPort(mapped())
    seen = examine(Line(port, SETTINGS), 5)
    assert seen.kind is Kind.SILENT
    assert not seen.clean
    assert {request[1] for _, request in port.sent} == {3, 4, 8, 17, 43}
    assert all(r.exchange.ended - r.exchange.sent >= 1.0 for r in seen.replies)
    with pytest.raises(ValueError, match="silence"):
        seen.finding()


def test_a_plain_unit_is_clean_and_has_a_latency() -> None:
    seen = look(registers(5, {0: 300, 1: 400}))
    assert (seen.kind, seen.clean, seen.notes) == (Kind.UNIT, True, ())
    latency = seen.latency
    assert latency is not None
    assert latency.minimum <= latency.median <= latency.maximum <= 0.02
    assert to_document(seen.finding())["kind"] == "unit"


def test_a_unit_that_refuses_everything_is_a_unit() -> None:
    seen = look(registers(5, {}))
    assert seen.clean
    assert all(r.verdict is Verdict.EXCEPTION for r in seen.replies)


def test_a_unit_that_only_knows_one_function_is_found_by_it() -> None:
    """Silence on all registers is no absence (field: units that stay silent instead of
    refusing)."""
    seen = look(mapped({b"\x05\x11": frame(5, 17, 4, 0x41, 0x54, 0x31, 0xFF)}))
    assert seen.kind is Kind.UNIT
    assert sum(r.present for r in seen.replies) > 3


def test_a_unit_that_sleeps_through_its_first_request_is_found_and_said_so() -> None:
    unit = registers(5, {0: 1, 1: 2})
    asked: list[bytes] = []

    def sleepy(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        asked.append(request)
        return [] if len(asked) == 1 else list(unit(request, settings))

    seen = look(sleepy)
    assert seen.kind is Kind.UNIT
    assert "It did not answer the first request." in seen.notes


def test_a_gateway_that_speaks_for_an_absent_unit_is_no_unit() -> None:
    def gateway(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.02, frame(request[0], request[1] | 0x80, 11))]

    seen = look(gateway)
    assert seen.kind is Kind.SILENT
    assert "gateway" in " ".join(seen.notes)


def test_two_replies_one_after_the_other_are_a_clash() -> None:
    seen = look(together(registers(5, {0: 1, 1: 2}, 0.02), registers(5, {0: 7, 1: 8}, 0.06)))
    assert seen.kind is Kind.CLASH
    assert seen.finding().evidence


def test_a_second_unit_much_slower_than_the_first_is_still_heard() -> None:
    seen = look(together(registers(5, {0: 1, 1: 2}, 0.02), registers(5, {0: 7, 1: 8}, 0.4)))
    assert seen.kind is Kind.CLASH


def test_two_names_at_one_address_are_a_clash() -> None:
    names = [frame(5, 17, 4, 0x41, 0x54, 0x31, 0xFF), frame(5, 17, 4, 0x42, 0x54, 0x31, 0xFF)]
    turn = random.Random(1)  # noqa: S311 - the same again is what is wanted

    def either(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.02, turn.choice(names) if request[1] == 17 else frame(5, request[1] | 0x80, 1))]

    seen = look(either)
    assert seen.kind is Kind.CLASH


def overlapped(one: Answers, other: Answers) -> Answers:
    """Both at once, bit by bit: a space of either wins (the AND of the bytes; V1.02 section 3.4,
    wired pair)."""

    def answers(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        pairs = [list(unit(request, settings)) for unit in (one, other)]
        if not all(pairs):
            return sorted(pairs[0] + pairs[1])
        (at, a), (_, b) = pairs[0][0], pairs[1][0]
        longest = max(len(a), len(b))
        padded = [text.ljust(longest, b"\xff") for text in (a, b)]
        return [(at, bytes(x & y for x, y in zip(*padded, strict=True)))]

    return answers


def test_replies_that_overlap_bit_for_bit_are_a_clash() -> None:
    """Published alike nowhere; the arithmetic is the wired pair's: data and CRC are lost, address
    and count survive."""
    seen = look(overlapped(registers(5, {0: 300, 1: 80}), registers(5, {0: 305, 1: 90})))
    assert seen.kind is Kind.CLASH


def test_identical_twins_that_collide_cleanly_pass_for_one_unit() -> None:
    """Nothing on the wire tells them apart; the survey asks for the number of units instead."""
    twin = registers(5, {0: 300, 1: 80})
    assert look(overlapped(twin, twin)).kind is Kind.UNIT


def test_twins_that_differ_in_nothing_but_who_they_are_are_not_sure_to_be_one() -> None:
    """Their values agree and come through; their serial numbers do not."""
    plain = registers(5, {0: 300, 1: 80})

    def named(serial: bytes) -> Answers:
        said = frame(5, 17, len(serial) + 2, *serial, 0, 0xFF)
        return lambda request, settings: (
            [(0.02, said)] if request[1] == 17 else plain(request, settings)
        )

    seen = look(overlapped(named(b"S1001"), named(b"S1002")))
    assert seen.kind is Kind.UNSURE
    assert "function 17" in seen.notes[0]
    assert look(named(b"S1001")).kind is Kind.UNIT


def test_a_unit_on_a_noisy_pair_is_a_unit_with_damaged_replies() -> None:
    noise = random.Random(7)  # noqa: S311 - the same again is what is wanted
    unit = registers(5, {0: 300, 1: 80})

    def noisy(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        def hit(data: bytes) -> bytes:
            return bytes(
                b ^ (1 << noise.randrange(8) if noise.random() < 0.05 else 0) for b in data
            )

        heard = hit(request)
        return [(at, hit(reply)) for at, reply in unit(heard, settings)] if heard == request else []

    for _ in range(20):
        seen = look(noisy)
        assert seen.kind is Kind.UNIT
    assert "damaged" in " ".join(note for _ in range(5) for note in look(noisy).notes)


def test_stray_bytes_are_never_a_unit() -> None:
    noise = random.Random(3)  # noqa: S311 - the same again is what is wanted

    def garbage(_request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return (
            [(noise.random() * 0.1, noise.randbytes(noise.randrange(1, 12)))]
            if noise.random() < 0.7
            else []
        )

    kinds = {look(garbage, address).kind for address in range(1, 60)}
    assert not kinds & {Kind.UNIT, Kind.CLASH}


@pytest.mark.parametrize(
    "reply", [(5, 3, 1, 0), (5, 3, 6, 0, 1, 0, 2, 0, 3)], ids=["too-short", "too-long"]
)
def test_one_stray_frame_that_is_no_reply_to_what_was_asked_is_no_unit(
    reply: tuple[int, ...],
) -> None:
    """Asked again and again, nobody says anything more; a unit that always answers so is one."""
    asked: list[bytes] = []

    def once(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        asked.append(request)
        return [(0.02, frame(*reply))] if len(asked) == 1 else []

    seen = look(once)
    assert seen.kind is Kind.SILENT
    assert asked.count(asked[0]) > 5
    assert look(mapped({b"\x05\x03": frame(*reply)})).kind is Kind.UNIT


def test_one_sound_reply_and_silence_ever_after_is_somebody_but_not_sure_to_be_a_unit() -> None:
    asked: list[bytes] = []

    def once(request: bytes, settings: LineSettings) -> list[tuple[float, bytes]]:
        asked.append(request)
        return list(registers(5, {0: 1, 1: 2})(request, settings)) if len(asked) == 1 else []

    seen = look(once)
    assert seen.kind is Kind.UNSURE
    assert "Only 1 of" in seen.notes[0]


def test_swapped_crc_bytes_are_a_unit_with_a_note() -> None:
    def swapped(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        body = bytes((5, request[1] | 0x80, 1))
        return [(0.02, body + crc(body)[::-1])]

    seen = look(swapped)
    assert seen.kind is Kind.UNIT
    assert not seen.clean
    assert "wrong order" in seen.notes[0]


def test_a_unit_that_answers_under_another_address_is_unsure_and_both_are_named() -> None:
    def other(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        return [(0.02, frame(9, request[1] | 0x80, 1))]

    seen = look(other)
    assert seen.kind is Kind.UNSURE
    assert "Asked 5 (0x05), answered as 9 (0x09)" in seen.notes[0]
    assert {f.address for f in seen.foreign} == {9}


@pytest.mark.parametrize("asked", [5, 9])
def test_another_masters_requests_are_no_second_unit_but_spoil_clean(asked: int) -> None:
    """A request that another master sends to the same unit carries its address, but answers none of
    ours."""
    port = ScriptedPort(registers(5, {0: 1, 1: 2}))
    line = Line(port, SETTINGS)
    for tick in range(1, 30):
        port.chatter(tick * 0.111, frame(asked, 3, 0, 0, 0, 10))
    seen = examine(line, 5)
    assert seen.kind is Kind.UNIT
    assert not seen.clean


def test_junk_around_replies_is_a_remark_and_no_clash() -> None:
    unit = registers(5, {0: 1, 1: 2})
    seen = look(
        lambda request, settings: [
            (at, b"\x00" + reply + b"\x00") for at, reply in unit(request, settings)
        ]
    )
    assert (seen.kind, seen.clean) == (Kind.UNIT, True)
    assert "stray bytes" in seen.notes[0]


@pytest.mark.parametrize(("latency", "kind"), [(0.02, Kind.UNIT), (0.9, Kind.UNSURE)])
def test_a_unit_that_answers_nothing_but_its_own_registers_is_found_by_these(
    latency: float, kind: Kind
) -> None:
    def answers(request: bytes, _settings: LineSettings) -> list[tuple[float, bytes]]:
        mine = request[:6] == bytes.fromhex("05 03 03 E8 00 02")
        return [(latency, frame(5, 3, 4, 1, 2, 3, 4))] if mine else []

    silent = Probe(Function.READ_INPUT_REGISTERS, 7)
    own = Probe(Function.READ_HOLDING_REGISTERS, 1000, 2)
    line = Line(ScriptedPort(answers), SETTINGS)
    assert examine(line, 5).kind is Kind.SILENT
    assert examine(line, 5, further=(silent, own, silent)).kind is kind


def test_further_probes_of_an_address_without_a_unit_wait_shortly_and_the_last_one_long() -> None:
    further = tuple(Probe(Function.READ_HOLDING_REGISTERS, n) for n in (1, 2, 3))
    seen = examine(Line(ScriptedPort(mapped()), SETTINGS), 5, further=further)
    waited = [r.exchange.ended - r.exchange.sent for r in seen.replies][-2:]
    assert len(seen.replies) == 7 + 2, "register 1 is asked anyhow"
    assert waited[0] < 0.6
    assert waited[1] >= 1.0

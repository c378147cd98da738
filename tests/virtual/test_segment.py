"""Whole segments: what a technician meets, none of it scripted."""

from __future__ import annotations

import threading
import time

import pytest

from busprobe.errors import UsageError
from busprobe.line.clock import SystemClock
from busprobe.line.line import Line
from busprobe.line.settings import COMMON_BAUDS, COMMON_FORMATS, LineSettings
from busprobe.modbus.replies import Verdict
from busprobe.modbus.traffic import valid_frames
from busprobe.virtual.loading import load_scenario
from busprobe.virtual.segment import Segment
from tests.virtual.bench import AT_9600, open_line, open_segment, read, scenario

DX = {"type": "dx-8"}


def test_two_different_units_at_one_address_spoil_each_others_replies() -> None:
    """Unit and function code survive, since both send the same; what differs is garbled."""
    line = open_line(
        scenario(
            {"name": "a", **DX, "values": {"outputs": 0x012C}, "latency": 0.010},
            {"name": "b", **DX, "values": {"outputs": 0x0131}, "latency": 0.010},
        )
    )
    reply, exchange = read(line, 1)
    assert reply.verdict is Verdict.CRC_BAD_HEAD_OK
    assert exchange.received == bytes.fromhex("01 03 02 01 20 38 00")


def test_twins_collide_cleanly() -> None:
    """The same bytes at the same moment are one valid frame: a clash that only something unlike can
    show."""
    segment, line = open_segment("identical-twins")
    assert read(line, 11, 1, 2, function=4)[0].verdict is Verdict.OK
    segment.connect("te-102", connected=False)
    assert read(line, 11, 1, 2, function=4)[0].verdict is Verdict.OK


def test_replies_that_do_not_overlap_come_one_after_the_other() -> None:
    line = open_line(
        scenario({"name": "a", **DX, "latency": 0.01}, {"name": "b", **DX, "latency": 0.04})
    )
    _, exchange = read(line, 1, after=0.1)
    assert len(valid_frames(exchange.received)) == 2


def test_two_units_at_one_address_go_on_answering_each_other() -> None:
    """The reply to function code 6 is a request to whoever hears it at that address, as the
    standard has it."""
    segment, line = open_segment(
        scenario({"name": "a", **DX, "latency": 0.01}, {"name": "b", **DX, "latency": 0.04})
    )
    port = segment.port()
    port.apply(line.settings)
    frame = bytes.fromhex("01 06 00 00 00 03 C9 CB")
    port.send(frame)
    received = b""
    while (chunk := port.receive(0.5)) is not None:
        received += chunk.data
    assert len(received) > 8 * len(frame)
    assert {received[n : n + 8] for n in range(0, len(received) // 8 * 8, 8)} == {frame}
    port.send(frame)  # anything that falls in between ends it
    while port.receive(1.0) is not None:
        pass
    assert port.receive(2.0) is None


def test_a_request_is_heard_at_its_own_settings_only() -> None:
    """Of all common settings only those that read the same: 8N2 is 8N1 with a longer pause."""
    line = open_line(scenario({"name": "a", **DX}))
    found = []
    for settings in (LineSettings.parse(f"{b}-{f}") for b in COMMON_BAUDS for f in COMMON_FORMATS):
        line.apply(settings)
        if read(line, 1)[0].verdict is Verdict.OK:
            found.append(str(settings))
    assert found == ["9600-8N1", "9600-8N2"]


def test_a_survey_of_all_addresses_and_settings_finds_each_unit() -> None:
    """247 addresses at 32 settings; a unit is found at its own settings, and at such that read the
    same."""
    segment, line = open_segment("mixed")
    found: dict[int, set[str]] = {}
    for settings in (LineSettings.parse(f"{b}-{f}") for b in COMMON_BAUDS for f in COMMON_FORMATS):
        line.apply(settings)
        for address in range(1, 248):
            if read(line, address, 0 if address != 21 else 20)[0].present:
                found.setdefault(address, set()).add(str(settings))
    assert set(found) == {unit.address for unit in segment.units}
    assert all(str(unit.settings) in found[unit.address] for unit in segment.units)
    assert all(len({text.split("-")[0] for text in texts}) == 1 for texts in found.values())


def test_a_swapped_unit_is_silent_until_its_wires_are_exchanged() -> None:
    segment, line = open_segment("swapped")
    assert read(line, 31)[0].verdict is Verdict.SILENT
    assert read(line, 11, 1, function=4)[0].verdict is Verdict.OK
    segment.swap("io-101")
    assert read(line, 31)[0].verdict is Verdict.OK


def test_units_can_be_taken_off_and_put_on() -> None:
    segment, line = open_segment("box")
    assert read(line, 1, 1, function=4)[0].verdict is Verdict.SILENT
    segment.connect("te-61")
    assert read(line, 1, 1, function=4)[0].verdict is Verdict.OK
    segment.connect("te-61", connected=False)
    assert read(line, 1, 1, function=4)[0].verdict is Verdict.SILENT


def test_hands_may_work_while_another_thread_talks() -> None:
    """In real time: the unit is put on while the line is asking for it."""
    segment = Segment(load_scenario("box"), SystemClock())
    line = Line(segment.port(), AT_9600)
    hands = threading.Timer(0.1, segment.connect, ["te-61"])
    hands.start()
    give_up = time.monotonic() + 5
    while (
        not (found := read(line, 1, 1, function=4, reply=0.03)[0].present)
        and time.monotonic() < give_up
    ):
        pass
    hands.join()
    assert found


def test_a_unit_that_is_not_there_is_named() -> None:
    segment, _ = open_segment("box")
    with pytest.raises(UsageError, match="no unit 'nobody'"):
        segment.connect("nobody")


def test_another_master_is_heard_with_the_replies_it_gets() -> None:
    line = open_line("second-master")
    heard = valid_frames(line.listen(5.0).data)
    assert {frame.address for frame in heard} == {11, 21}
    assert {len(frame.data) for frame in heard} == {8, 9, 17}


def test_a_biased_pair_is_quiet() -> None:
    line = open_line("clean")
    assert line.listen(60).data == b""


def test_a_floating_pair_gives_junk_when_idle_and_around_frames() -> None:
    line = open_line("stray-bytes")
    assert 5 <= len(line.listen(60).data) <= 100
    line = open_line(
        scenario(
            {"name": "a", **DX},
            wires={"biased": False, "float_pulses": 0},
            adapter={"failsafe": False},
        )
    )
    verdicts = [read(line, 1)[0].verdict for _ in range(60)]
    assert {Verdict.OK, Verdict.OK_AFTER_STRAY_BYTES} <= set(verdicts)
    assert Verdict.SILENT not in verdicts  # the unit's own receiver is fail-safe


def test_a_unit_without_failsafe_receiver_misses_requests_on_a_floating_pair() -> None:
    line = open_line(
        scenario({"name": "a", **DX, "failsafe": False}, wires={"biased": False, "float_pulses": 0})
    )
    verdicts = [read(line, 1)[0].verdict for _ in range(60)]
    assert verdicts.count(Verdict.SILENT) > 10
    assert verdicts.count(Verdict.OK) > 10


def test_noise_hits_a_few_of_a_hundred_exchanges() -> None:
    line = open_line("noise")
    verdicts = [read(line, 31)[0].verdict for _ in range(400)]
    failed = len(verdicts) - verdicts.count(Verdict.OK)
    assert 8 <= failed <= 48  # 155 bits at 0.0004: 6 % expected
    assert verdicts.count(Verdict.SILENT) > 0
    assert verdicts.count(Verdict.SILENT) < failed


def test_a_stronger_driver_wins_a_clash() -> None:
    line = open_line(
        scenario(
            {"name": "a", **DX, "values": {"outputs": 0x012C}},
            {"name": "b", **DX, "values": {"outputs": 0x0131}, "strength": 2},
        )
    )
    assert read(line, 1)[0].registers == (0x0131,)


def test_the_same_seed_gives_the_same_run() -> None:
    def run(seed: int) -> list[bytes]:
        kind = {"name": "a", **DX, "jitter": 0.01}
        line = open_line(scenario(kind, seed=seed, wires={"bit_errors": 0.004}))
        return [read(line, 1)[1].received for _ in range(40)]

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_a_request_that_follows_too_closely_is_not_heard() -> None:
    """Without 3.5 characters of silence two requests are one long frame, and wrong (V1.02 section
    2.5.1.1)."""
    segment, line = open_segment(scenario({"name": "a", **DX}))
    port = segment.port()
    port.apply(line.settings)
    frame = bytes.fromhex("01 03 00 00 00 01 84 0A")
    port.send(frame)
    port.send(frame)
    assert port.receive(1.0) is None
    port.send(frame)
    assert port.receive(2.0) is not None


def test_what_is_over_is_forgotten() -> None:
    """A long run must not grow."""
    segment, line = open_segment("clean")
    for _ in range(50):
        read(line, 31)
    assert len(segment._bus.waveform.transmissions) <= 2
    assert len(segment._bus._events) <= 4


def test_a_port_opened_in_the_middle_of_a_frame_hears_the_rest_of_it_in_its_own_time() -> None:
    segment, line = open_segment(scenario({"name": "a", **DX}))
    port = segment.port()
    port.apply(line.settings)
    frame = bytes.fromhex("02 03 00 00 00 01 84 39")
    begun = segment.clock.now()
    port.send(frame)
    segment.clock.sleep_until(begun + 3.5 * line.settings.character_time)
    late = Line(segment.port(), line.settings)
    assert late.listen(0.1).data.endswith(frame[5:])
    assert late.listen(0.1).data == b""


@pytest.mark.parametrize(("stuck", "strength"), [("space", 1), ("mark", 2)])
def test_a_stuck_driver_silences_the_pair_until_it_is_taken_off(stuck: str, strength: int) -> None:
    """At space it wins over equals, at mark it has to be the stronger; back on the pair it silences
    it again."""
    units = (
        {"name": "u", "type": "dx-8"},
        {
            "name": "bad",
            "type": "at-10",
            "stuck": stuck,
            "strength": strength,
        },
    )
    segment, line = open_segment(scenario(*units))
    for _ in range(2):
        assert not read(line, 1)[0].present
        segment.connect("bad", connected=False)
        line.listen(0.1)
        assert [read(line, 1)[0].present for _ in range(3)] == [True, True, True]
        segment.connect("bad", connected=True)


def test_a_driver_that_sticks_at_space_is_one_break() -> None:
    """A receiver sees no further start bit before the pair has been at mark again, and none in a
    level that was there before it began to listen."""
    segment, line = open_segment(scenario({"name": "bad", "type": "dx-8", "stuck": "space"}))
    assert line.listen(2.0).data == b""
    segment.connect("bad", connected=False)
    assert line.listen(2.0).data == b""
    segment.connect("bad", connected=True)
    heard = line.listen(2.0)
    assert (heard.data, heard.bad) == (b"\x00", (0,))
    segment.swap("bad")  # at mark now
    assert line.listen(0.1).data == b""
    segment.swap("bad")
    assert line.listen(2.0).data == b"\x00"

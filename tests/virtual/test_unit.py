"""What a unit does with what it hears: timing, sleep, and changing its address."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.line.line import Line
from busprobe.modbus.replies import Verdict
from busprobe.modbus.requests import report_server_id, write_register, write_registers
from busprobe.virtual.segment import Segment
from tests.virtual.bench import ask, open_line, open_segment, read, scenario


def movable(**readdress: Any) -> tuple[Segment, Line]:
    """One unit at address 1 whose address is in holding register 20."""
    kind = {
        "maker": "Nobody",
        "model": "N-1",
        "settings": "9600-8N1",
        "functions": [3, 6, 16],
        "readdress": {"at": 20, "functions": [6, 16], **readdress},
        "startup": 2.0,
    }
    return open_segment(scenario({"name": "u", "type": "n-1"}, types={"n-1": kind}))


def answering(line: Line) -> list[int]:
    """Which of the addresses 1 and 7 answer."""
    return [address for address in (1, 7) if read(line, address, 20)[0].present]


def test_a_reply_begins_after_the_latency() -> None:
    line = open_line(scenario({"name": "u", "type": "dx-8", "latency": 0.05}))
    reply, exchange = read(line, 1)
    assert reply.verdict is Verdict.OK
    assert exchange.latency == pytest.approx(0.05, abs=1e-6)


def test_jitter_makes_replies_later_never_earlier() -> None:
    line = open_line(scenario({"name": "u", "type": "dx-8", "latency": 0.05, "jitter": 0.02}))
    latencies = [read(line, 1)[1].latency or 0.0 for _ in range(20)]
    assert 0.05 - 1e-6 <= min(latencies) < max(latencies) <= 0.07 + 1e-6


def test_no_unit_answers_before_it_knows_the_frame_is_over() -> None:
    """A frame ends after 3.5 characters of silence (MODBUS over Serial Line V1.02, section
    2.5.1.1)."""
    line = open_line(scenario({"name": "u", "type": "dx-8", "latency": 0.0}))
    assert read(line, 1)[1].latency == pytest.approx(line.settings.t3_5, abs=1e-6)


def test_nobody_answers_a_broadcast_but_all_obey_it() -> None:
    """V1.02 section 2.1."""
    kinds = [{"name": f"u{n}", "type": "dx-8", "address": n} for n in (1, 2)]
    line = open_line(scenario(*kinds))
    assert ask(line, write_register(0, 0, 0x55))[0].verdict is Verdict.SILENT
    assert [read(line, n)[0].registers for n in (1, 2)] == [(0x55,), (0x55,)]


def test_a_dozing_unit_needs_a_first_request_to_wake() -> None:
    line = open_line(scenario({"name": "u", "type": "dx-8", "sleeps_after": 10}))
    assert read(line, 1)[0].verdict is Verdict.OK
    line.listen(11)
    assert [read(line, 1)[0].verdict for _ in range(3)] == [Verdict.SILENT, Verdict.OK, Verdict.OK]


def test_a_unit_for_any_address_answers_as_whoever_was_asked() -> None:
    line = open_line(scenario({"name": "u", "type": "at-10", "any_address": True}))
    assert all(
        ask(line, report_server_id(address))[0].verdict is Verdict.OK
        for address in (1, 99, 231, 247)
    )


def test_an_address_that_holds_at_once_is_acknowledged_from_the_old_one() -> None:
    segment, line = movable()
    assert ask(line, write_registers(1, 20, [7]))[0].verdict is Verdict.OK
    assert answering(line) == [7]
    assert (segment.units[0].address, segment.units[0].stored_address) == (7, 7)
    segment.power_cycle("u")
    line.listen(3)
    assert answering(line) == [7]


def test_the_acknowledgement_may_come_from_the_new_address() -> None:
    _, line = movable(reply_from="new")
    reply, _ = ask(line, write_register(1, 20, 7))
    assert reply.verdict is Verdict.FOREIGN
    assert reply.frame is not None
    assert reply.frame[:6] == bytes.fromhex("07 06 00 14 00 07")
    assert answering(line) == [7]


def test_there_may_be_no_acknowledgement() -> None:
    _, line = movable(reply_from="none")
    assert ask(line, write_register(1, 20, 7))[0].verdict is Verdict.SILENT
    assert answering(line) == [7]


def test_an_address_may_wait_for_the_power_cycle() -> None:
    segment, line = movable(effect="after-power-cycle")
    assert ask(line, write_registers(1, 20, [7]))[0].verdict is Verdict.OK
    assert answering(line) == [1]
    assert read(line, 1, 20)[0].registers == (7,)
    segment.power_cycle("u")
    assert answering(line) == []  # still starting
    line.listen(2)
    assert answering(line) == [7]


def test_a_reply_that_has_not_begun_is_lost_with_the_supply() -> None:
    segment, line = open_segment(scenario({"name": "u", "type": "dx-8", "latency": 0.05}))
    port = segment.port()
    port.apply(line.settings)
    sent = port.send(bytes.fromhex("01 03 00 00 00 01 84 0A"))
    assert port.receive(sent + 0.02) is None
    segment.power_cycle("u")
    assert port.receive(sent + 1.0) is None


def test_a_volatile_address_is_gone_after_the_power_cycle() -> None:
    segment, line = movable(volatile=True)
    ask(line, write_register(1, 20, 7))
    assert answering(line) == [7]
    assert segment.units[0].stored_address == 1
    segment.power_cycle()
    line.listen(3)
    assert answering(line) == [1]


def test_a_unit_may_be_silent_for_a_while_after_the_change() -> None:
    _, line = movable(restart=5)
    assert ask(line, write_registers(1, 20, [7]))[0].verdict is Verdict.OK
    assert answering(line) == []
    line.listen(5)
    assert answering(line) == [7]


@pytest.mark.parametrize(("readdress", "request_"), [({"highest": 6}, 7), ({}, 0), ({}, 248)])
def test_an_address_out_of_range_is_refused(readdress: dict[str, Any], request_: int) -> None:
    _, line = movable(**readdress)
    reply, _ = ask(line, write_register(1, 20, request_))
    assert reply.exception == 3
    assert answering(line) == [1]

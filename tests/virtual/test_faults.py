"""Faults of units, gateways and other masters, as a port on the pair meets them."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.modbus.replies import Verdict
from busprobe.modbus.traffic import valid_frames
from tests.virtual.bench import open_line, read, scenario


def unit(**rest: Any) -> dict[str, Any]:
    return {"name": "u", "type": "dx-8", "address": 5, "latency": 0.01, **rest}


def test_a_unit_may_answer_under_another_address() -> None:
    reply, _ = read(open_line(scenario(unit(replies_as=9))), 5)
    assert (reply.verdict, reply.address) == (Verdict.FOREIGN, 9)


def test_a_unit_may_answer_at_further_addresses() -> None:
    line = open_line(scenario(unit(also_addresses=[8])))
    assert [read(line, address)[0].present for address in (5, 7, 8)] == [True, False, True]


def test_a_gateway_refuses_for_units_that_are_not_there_and_for_no_other() -> None:
    line = open_line(scenario(unit(refuses_others=4), unit(name="v", address=6)))
    assert [read(line, address)[0].exception for address in (5, 6, 7, 250)] == [None, None, 4, 4]


@pytest.mark.parametrize("requests", [1, 2, 3])
def test_a_dozing_unit_takes_some_requests_to_wake(requests: int) -> None:
    line = open_line(scenario(unit(sleeps_after=0.5, wakes_by=requests)))
    line.listen(1.0)
    seen = [read(line, 5, reply=0.05)[0].present for _ in range(requests + 2)]
    assert seen == [False] * requests + [True, True]
    line.listen(0.6)
    assert not read(line, 5, reply=0.05)[0].present


def test_a_babbling_unit_sends_without_a_pause_until_it_is_taken_off() -> None:
    line = open_line(scenario(unit(babbles=True)))
    heard = line.listen(2.0)
    assert line.settings.wire_time(len(heard.data)) > 0.9 * heard.seconds
    assert not read(line, 5)[0].present


def test_another_master_may_pause_and_may_wait_for_silence() -> None:
    polls = [{"address": 5}, {"address": 6}]
    master = {"settings": "9600-8N1", "period": 0.1, "pause": 0.8, "polls": polls}
    line = open_line(scenario(unit(), other_master=master))
    heard = line.listen(2.0)
    starts = [chunk.at for chunk in heard.chunks if chunk.data == b"\x06"]
    assert len([f for f in valid_frames(heard.data) if f.address == 6]) == 2
    assert starts[-1] - starts[0] == pytest.approx(1.0, abs=0.1)
    polite = {**master, "pause": 0.0, "waits_for_silence": 0.05}
    line = open_line(scenario(unit(), other_master=polite))
    line.listen(0.37)
    answered = [read(line, 5, reply=0.04)[0].present for _ in range(20)]
    assert all(answered)

"""Address and line settings changed by registers: locks, saves, bytes that share a register,
memory."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.line.line import Line
from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply, Verdict
from busprobe.modbus.requests import write_register, write_registers
from busprobe.virtual.segment import Segment
from tests.virtual.bench import ask, open_segment, read, scenario

ADDRESS, BAUD, FORMAT, LOCK, SAVE = 20, 21, 22, 40, 50
LOCKED = {"at": LOCK, "values": [0x12, 0x34], "functions": [16]}
SAVED = {"at": SAVE, "values": [7], "functions": [6]}
BAUDS = {"at": BAUD, "codes": {"4800": 1, "9600": 2, "19200": 3}}
FORMATS = {"at": FORMAT, "codes": {"8N1": 0, "8E1": 1}}


def unit(entry: dict[str, Any] | None = None, **kind: Any) -> tuple[Segment, Line]:
    """One unit at address 1, 9600-8N1, whose address is in register 20 unless `kind` says
    otherwise."""
    whole = {
        "maker": "Nobody",
        "model": "N-1",
        "settings": "9600-8N1",
        "functions": [3, 6, 16],
        "readdress": {"at": ADDRESS, "functions": [6, 16]},
        "startup": 1.0,
        **kind,
    }
    segment, line = open_segment(
        scenario({"name": "u", "type": "n-1", **(entry or {})}, types={"n-1": whole})
    )
    read(
        line, segment.units[0].address
    )  # the line learns that no echo comes: replies to function 6 look like one
    return segment, line


def write(line: Line, register: int, *values: int, address: int = 1) -> Reply:
    request = write_register(address, register, *values) if len(values) == 1 else None
    return ask(line, request or write_registers(address, register, values))[0]


def place(segment: Segment) -> str:
    return f"{segment.units[0].address} at {segment.units[0].settings}"


def cycle(segment: Segment, line: Line) -> str:
    segment.power_cycle()
    line.listen(2)
    return place(segment)


def test_a_locked_unit_refuses_until_the_whole_password_is_there() -> None:
    segment, line = unit(lock=LOCKED)
    assert write(line, ADDRESS, 7).exception == 4
    ask(line, write_registers(1, LOCK, [0x12]))
    assert write(line, ADDRESS, 7).exception == 4
    assert write(line, LOCK, 0x12, 0x34).verdict is Verdict.OK
    assert write(line, ADDRESS, 7).verdict is Verdict.OK
    assert place(segment) == "7 at 9600-8N1"


@pytest.mark.parametrize("relock", ["other values", "power cycle"])
def test_a_lock_closes_again(relock: str) -> None:
    segment, line = unit(lock=LOCKED)
    write(line, LOCK, 0x12, 0x34)
    if relock == "power cycle":
        cycle(segment, line)
    else:
        write(line, LOCK, 0, 0)
    assert write(line, ADDRESS, 7).exception == 4


def test_a_locked_unit_may_acknowledge_and_do_nothing() -> None:
    segment, line = unit(lock={**LOCKED, "when_locked": "ignored"})
    assert write(line, ADDRESS, 7).verdict is Verdict.OK
    assert place(segment) == "1 at 9600-8N1"


def test_a_password_cannot_be_read() -> None:
    _, line = unit(lock=LOCKED)
    assert read(line, 1, LOCK)[0].exception == 2


def test_what_is_not_saved_is_gone_with_the_supply() -> None:
    segment, line = unit(save=SAVED)
    write(line, ADDRESS, 7)
    assert place(segment) == "7 at 9600-8N1"
    assert cycle(segment, line) == "1 at 9600-8N1"
    write(line, ADDRESS, 7)
    assert write(line, SAVE, 7, address=7).verdict is Verdict.OK
    assert cycle(segment, line) == "7 at 9600-8N1"


def test_a_save_may_be_what_makes_it_hold() -> None:
    segment, line = unit(
        save=SAVED,
        readdress={"at": ADDRESS, "functions": [6], "effect": "after-save", "restart": 2.0},
    )
    write(line, ADDRESS, 7)
    assert place(segment) == "1 at 9600-8N1"
    assert read(line, 1, ADDRESS)[0].registers == (7,)
    assert write(line, SAVE, 8).exception == 3
    assert write(line, SAVE, 7).verdict is Verdict.OK
    assert place(segment) == "7 at 9600-8N1"
    assert read(line, 7, ADDRESS)[0].verdict is Verdict.SILENT  # restarting
    line.listen(2)
    assert read(line, 7, ADDRESS)[0].registers == (7,)
    assert cycle(segment, line) == "7 at 9600-8N1"


@pytest.mark.parametrize(
    ("address", "baud"), [("high-byte", "low-byte"), ("low-byte", "high-byte")]
)
def test_address_and_baud_rate_may_share_a_register(address: str, baud: str) -> None:
    segment, line = unit(
        readdress={"at": ADDRESS, "part": address, "functions": [6]},
        line_settings={"functions": [6], "baud": {**BAUDS, "at": ADDRESS, "part": baud}},
    )
    holds = 0x0102 if address == "high-byte" else 0x0201
    assert read(line, 1, ADDRESS)[0].registers == (holds,)
    write(line, ADDRESS, 0x0702 if address == "high-byte" else 0x0207)
    assert place(segment) == "7 at 9600-8N1"
    write(line, ADDRESS, 0x0903 if address == "high-byte" else 0x0309, address=7)
    assert place(segment) == "9 at 19200-8N1"


def test_a_code_without_a_meaning_is_refused_and_nothing_else_is_done() -> None:
    segment, line = unit(
        readdress={"at": ADDRESS, "part": "high-byte", "functions": [6]},
        line_settings={"functions": [6], "baud": {**BAUDS, "at": ADDRESS, "part": "low-byte"}},
    )
    assert write(line, ADDRESS, 0x0709).exception == 3
    assert read(line, 1, ADDRESS)[0].registers == (0x0102,)
    assert place(segment) == "1 at 9600-8N1"


def test_the_byte_that_nobody_reads_keeps_what_was_written() -> None:
    _, line = unit(readdress={"at": ADDRESS, "part": "low-byte", "functions": [6]})
    write(line, ADDRESS, 0xA507)
    assert read(line, 7, ADDRESS)[0].registers == (0xA507,)


@pytest.mark.parametrize(
    ("register", "code", "settings"),
    [(BAUD, 3, "19200-8N1"), (FORMAT, 1, "9600-8E1"), (BAUD, 1, "4800-8N1")],
)
def test_line_settings_change_at_once_after_the_reply_at_the_old_ones(
    register: int, code: int, settings: str
) -> None:
    segment, line = unit(line_settings={"functions": [6], "baud": BAUDS, "format": FORMATS})
    assert write(line, register, code).verdict is Verdict.OK
    assert read(line, 1, ADDRESS)[0].verdict is Verdict.SILENT
    line.apply(LineSettings.parse(settings))
    assert read(line, 1, register)[0].registers == (code,)
    assert cycle(segment, line) == f"1 at {settings}"


@pytest.mark.parametrize("reply_from", ["new", "none"])
def test_the_reply_may_come_at_the_new_settings_or_not_at_all(reply_from: str) -> None:
    segment, line = unit(line_settings={"functions": [6], "baud": BAUDS, "reply_from": reply_from})
    reply = write(line, BAUD, 1)
    assert (reply.verdict is Verdict.SILENT) == (reply_from == "none")
    assert not reply.valid
    assert place(segment) == "1 at 4800-8N1"


def test_line_settings_may_wait_for_the_power_cycle() -> None:
    segment, line = unit(
        line_settings={"functions": [6], "effect": "after-power-cycle", "baud": BAUDS}
    )
    write(line, BAUD, 3)
    assert read(line, 1, BAUD)[0].registers == (3,)
    assert place(segment) == "1 at 9600-8N1"
    assert cycle(segment, line) == "1 at 19200-8N1"


def test_others_at_the_old_settings_go_on_being_heard() -> None:
    """Two units that listen alike part company when one of them is given another baud rate."""
    kind = {
        "maker": "Nobody",
        "model": "N-1",
        "settings": "9600-8N1",
        "functions": [3, 6],
        "line_settings": {"functions": [6], "baud": BAUDS},
    }
    entries = [{"name": f"u{n}", "type": "n-1", "address": n} for n in (1, 2)]
    segment, line = open_segment(scenario(*entries, types={"n-1": kind}))
    assert read(line, 1, BAUD)[0].registers == (2,)
    write(line, BAUD, 3)
    assert read(line, 2, BAUD)[0].registers == (2,)
    write(line, BAUD, 3, address=2)
    line.apply(LineSettings.parse("19200-8N1"))
    assert [read(line, n, BAUD)[0].registers for n in (1, 2)] == [(3,), (3,)]
    assert len({unit.settings for unit in segment.units}) == 1


def test_a_broken_memory_comes_back_as_from_the_factory() -> None:
    segment, line = unit({"address": 5, "forgets": True})
    write(line, ADDRESS, 7, address=5)
    assert place(segment) == "7 at 9600-8N1"
    assert cycle(segment, line) == "1 at 9600-8N1"


def test_a_lock_with_a_window_closes_by_itself() -> None:
    segment, line = unit(lock={**LOCKED, "window": 5.0})
    write(line, LOCK, 0x12, 0x34)
    line.listen(3)
    assert write(line, ADDRESS, 7).verdict is Verdict.OK
    line.listen(4)
    assert write(line, ADDRESS, 9, address=7).exception == 4
    assert place(segment) == "7 at 9600-8N1"


def test_a_locked_unit_refuses_with_the_exception_of_its_type() -> None:
    _, line = unit(lock={**LOCKED, "exception": 2})
    assert write(line, ADDRESS, 7).exception == 2


def test_a_register_that_can_only_be_written_is_not_read() -> None:
    segment, line = unit(readdress={"at": ADDRESS, "functions": [6], "readable": False})
    assert read(line, 1, ADDRESS)[0].exception == 2
    assert write(line, ADDRESS, 7).verdict is Verdict.OK
    assert place(segment) == "7 at 9600-8N1"


def test_a_unit_answers_at_its_service_address_as_that_and_at_its_own() -> None:
    segment, line = unit(service_address=255)
    assert read(line, 255, ADDRESS)[0].registers == (1,)
    assert write(line, ADDRESS, 7, address=255).frame[0] == 255
    assert place(segment) == "7 at 9600-8N1"
    assert read(line, 7, ADDRESS)[0].registers == (7,)


def test_baud_and_format_can_differ_in_function_and_effect() -> None:
    segment, line = unit(
        line_settings={
            "functions": [6],
            "baud": {**BAUDS, "effect": "after-power-cycle"},
            "format": {**FORMATS, "functions": [16]},
        }
    )
    assert write(line, FORMAT, 1).exception == 2
    assert write(line, BAUD, 3).verdict is Verdict.OK
    assert place(segment) == "1 at 9600-8N1"
    ask(line, write_registers(1, FORMAT, [1]))
    assert place(segment) == "1 at 9600-8E1"
    assert cycle(segment, line) == "1 at 19200-8E1"

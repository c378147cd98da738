"""The guards: each refuses what would not be safe, says so, and lets nothing be written."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from busprobe.errors import RefusedError
from busprobe.job.journal import Row
from busprobe.modbus.framing import crc
from busprobe.profiles.registers import AddressPart
from busprobe.readdress.move import Prepared, execute, prepare
from busprobe.readdress.procedure import Procedure
from tests.readdress.bench import ADDRESS_REGISTER, Bench, Book, FakeUnit, line_to, move


def refused(bench: Bench, **how: object) -> RefusedError:
    with pytest.raises(RefusedError) as caught:
        prepare(line_to(bench), move(**how))  # type: ignore[arg-type]
    assert bench.writes == []
    assert caught.value.todo
    return caught.value


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (0, 12, "broadcast"),
        (256, 12, "256 is not a unit address"),
        (1, 0, "0 is not an address a unit may have"),
        (1, 248, "248 is not an address a unit may have"),
        (5, 5, "to keep address 5"),
    ],
)
def test_impossible_addresses_are_refused_before_anything_is_sent(
    old: int, new: int, words: str
) -> None:
    bench = Bench(FakeUnit(1))
    assert words in refused(bench, old=old, new=new).what
    assert bench.sent == []


def test_an_address_the_profile_does_not_allow_is_refused_with_the_range() -> None:
    procedure = Procedure(ADDRESS_REGISTER, addresses=tuple(range(1, 8)), profile="small-unit")
    error = refused(Bench(FakeUnit(1)), procedure=procedure)
    assert "small-unit" in error.what
    assert "1-7" in error.means


def test_a_silent_source_is_refused() -> None:
    assert "No reply from unit address 1" in refused(Bench(FakeUnit(2))).what


@pytest.mark.parametrize("delay", [0.0, 0.0004, 0.003, 0.02, 0.09])
def test_two_units_at_the_source_are_refused_however_they_overlap(delay: float) -> None:
    bench = Bench(FakeUnit(1, serial=1), FakeUnit(1, serial=0x5A5A, latency=0.01 + delay))
    error = refused(bench)
    assert "Take" in error.todo


@pytest.mark.parametrize("delay", [0.2, 0.5, 0.8, 0.95])
def test_a_much_slower_second_unit_put_on_while_the_question_is_on_screen_is_noticed(
    delay: float,
) -> None:
    bench, book = Bench(FakeUnit(1)), Book()
    line = line_to(bench)

    def confirm(_: Prepared) -> bool:
        bench.units.append(FakeUnit(1, serial=2, latency=delay))
        return True

    assert execute(line, prepare(line, move()), book, confirm).row is Row.GUARD
    assert bench.writes == []
    assert book.writes == []


def test_a_taken_target_is_refused() -> None:
    error = refused(Bench(FakeUnit(1), FakeUnit(12)))
    assert "12 (0x0C) at 9600-8N1 is not free" in error.what
    assert "share" in error.means


def test_a_slow_unit_at_the_target_is_seen() -> None:
    refused(Bench(FakeUnit(1), FakeUnit(12, latency=0.95)))


def test_two_units_at_the_target_are_seen() -> None:
    refused(Bench(FakeUnit(1), FakeUnit(12, serial=5), FakeUnit(12, serial=0xFFFF)))


def test_a_target_that_answers_in_garbage_is_not_free() -> None:
    bench = Bench(FakeUnit(1), FakeUnit(12))
    bench.mangle = lambda data: b"\x5a" + data[2:] if data[0] == 12 else data
    assert "not free" in refused(bench).what


def test_adapter_junk_at_a_silent_target_is_no_unit() -> None:
    bench = Bench(FakeUnit(1))
    bench.after_send = lambda frame: (
        bench.chatter.append((bench.clock.now() + 0.02, b"\x00")) if frame[0] == 12 else None
    )
    assert prepare(line_to(bench), move()).move.target.address == 12


def test_a_unit_that_answers_as_another_address_is_refused() -> None:
    bench = Bench(FakeUnit(1))
    bench.mangle = lambda data: b"\x07" + data[1:-2] + crc(b"\x07" + data[1:-2])
    assert "answered as 7" in str(refused(bench)) or "unit address 7" in str(refused(bench))


def test_damaged_replies_are_refused_as_not_clean() -> None:
    bench = Bench(FakeUnit(1))
    spoil = iter([False] * 4 + [True] + [False] * 500)
    bench.mangle = lambda data: data[:-1] + bytes((data[-1] ^ 4,)) if next(spoil) else data
    assert "does not answer cleanly" in refused(bench).what


def another_master(bench: Bench, when: Callable[[bytes], bool]) -> None:
    frame = b"\x09\x03\x00\x00\x00\x02"
    bench.after_send = lambda sent: (
        bench.chatter.append((bench.clock.now() + 0.15, frame + crc(frame))) if when(sent) else None
    )


def test_another_master_heard_before_is_refused() -> None:
    bench = Bench(FakeUnit(1))
    frame = b"\x09\x03\x00\x00\x00\x02"
    bench.chatter.append((1.0, frame + crc(frame)))
    error = refused(bench)
    assert "Another device is sending" in error.what
    assert "unit address 9" in error.what
    assert bench.sent == []


@pytest.mark.parametrize("address", [1, 12])
def test_another_master_heard_in_between_is_refused(address: int) -> None:
    bench = Bench(FakeUnit(1))
    another_master(bench, lambda sent: sent[0] == address and sent[1] == 3)
    refused(bench)


def test_traffic_at_other_settings_is_refused() -> None:
    bench = Bench(FakeUnit(1))
    bench.chatter.append((1.0, b"\xe0\x00\xe0\xe0\x98"))
    assert "5 bytes were received without a request: E0 00 E0 E0 98" in refused(bench).what


def test_a_single_stray_byte_is_only_a_warning() -> None:
    bench = Bench(FakeUnit(1))
    bench.chatter.append((1.0, b"\x00"))
    assert any("1 stray byte" in warning for warning in prepare(line_to(bench), move()).warnings)


@pytest.mark.parametrize("part", [AddressPart.HIGH_BYTE, AddressPart.LOW_BYTE])
def test_a_shared_register_that_does_not_hold_the_address_is_refused(part: AddressPart) -> None:
    bench = Bench(FakeUnit(1))
    bench.units[0].part = (
        AddressPart.HIGH_BYTE if part is AddressPart.LOW_BYTE else AddressPart.LOW_BYTE
    )
    error = refused(bench, procedure=Procedure(ADDRESS_REGISTER, part=part, profile="packed"))
    assert f"{part.words} should be the unit address 1" in error.what


def test_a_shared_register_that_cannot_be_read_is_refused() -> None:
    bench = Bench(FakeUnit(1, part=AddressPart.LOW_BYTE, readable=False))
    error = refused(
        bench, procedure=Procedure(ADDRESS_REGISTER, part=AddressPart.LOW_BYTE, profile="packed")
    )
    assert "cannot be read" in error.what

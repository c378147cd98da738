"""Values as words in registers."""

from __future__ import annotations

from typing import Any

import pytest

from busprobe.virtual.register_table import RegisterTable, encode
from busprobe.virtual.schema import Value


def value(type_: str, number: float | str, **more: Any) -> Value:
    return Value.model_validate({"name": "v", "at": 0, "type": type_, "value": number, **more})


@pytest.mark.parametrize(
    ("type_", "number", "order", "words"),
    [
        # Computed with Python's struct and, for the orders, by their definition: the bytes as they
        # come off the line.
        ("float32", 123.456, "ABCD", "42F6 E979"),
        ("float32", 123.456, "CDAB", "E979 42F6"),
        ("float32", 123.456, "BADC", "F642 79E9"),
        ("float32", 123.456, "DCBA", "79E9 F642"),
        ("int32", -123456, "ABCD", "FFFE 1DC0"),
        ("int32", -123456, "CDAB", "1DC0 FFFE"),
        ("uint32", 0x12345678, "DCBA", "7856 3412"),
        ("int16", -2, "ABCD", "FFFE"),
    ],
)
def test_word_orders(type_: str, number: float, order: str, words: str) -> None:
    assert (
        " ".join(f"{word:04X}" for word in encode(value(type_, number, order=order), 0.0)) == words
    )


def test_an_integer_counts_in_its_scale() -> None:
    assert encode(value("int16", 21.5, scale=0.1), 0.0) == [215]


def test_a_live_value_moves_within_its_swing() -> None:
    live = value("uint16", 100, swing=10, period=40)
    assert [encode(live, moment)[0] for moment in (0, 10, 20, 30)] == [100, 110, 100, 90]


def test_a_counter_gains_with_time_and_stops_at_its_end() -> None:
    counter = value("uint16", 65530, rate=1)
    assert encode(counter, 3.0) == [65533]
    assert encode(counter, 100.0) == [65535]


def test_a_text_is_padded_and_holds_the_serial_number() -> None:
    words = encode(value("text", "N {serial}", length=4), 0.0, "7é")
    assert b"".join(word.to_bytes(2, "big") for word in words) == b"N 7\xe9\x00\x00\x00\x00"


def test_a_table_knows_what_it_has() -> None:
    table = RegisterTable([value("float32", 1.0)], {"v": 0.5}, "")
    assert [table.read(register, 0.0) for register in (0, 1, 2)] == [0x3F00, 0, None]
    assert not table.writable(0)

"""Registers decoded to engineering units."""

from __future__ import annotations

import json
import math
import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.profiles.schema import PointType, WordOrder
from busprobe.profiles.values import decode, in_order, readings
from tests.profiles.making import point, profile

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")

# Computed with Python's struct module from the definition of the orders; 123.456 and the names of
# the orders agree with the byte order table in minimalmodbus' documentation (BIG, LITTLE_SWAP,
# BIG_SWAP, LITTLE).
PUBLISHED = [
    ("float32", 123.456, "42F6E979 E97942F6 F64279E9 79E9F642"),
    ("float32", 100.0, "42C80000 000042C8 C8420000 0000C842"),
    ("float32", -0.5, "BF000000 0000BF00 00BF0000 000000BF"),
    ("float32", 1.0, "3F800000 00003F80 803F0000 0000803F"),
    ("float32", 0.1, "3DCCCCCD CCCD3DCC CC3DCDCC CDCCCC3D"),
    ("float32", math.pi, "40490FDB 0FDB4049 4940DB0F DB0F4940"),
    ("int32", 123456789, "075BCD15 CD15075B 5B0715CD 15CD5B07"),
    ("int32", -123456, "FFFE1DC0 1DC0FFFE FEFFC01D C01DFEFF"),
    ("int32", -2, "FFFFFFFE FFFEFFFF FFFFFEFF FEFFFFFF"),
    ("uint32", 305419896, "12345678 56781234 34127856 78563412"),
]


def words(digits: str) -> tuple[int, ...]:
    return struct.unpack(f">{len(digits) // 4}H", bytes.fromhex(digits))


@pytest.mark.parametrize(("kind", "value", "forms"), PUBLISHED)
def test_word_orders(kind: str, value: float, forms: str) -> None:
    for order, form in zip(ORDERS, forms.split(), strict=True):
        reading = decode(point(type=kind, order=order), words(form))
        assert reading.value == pytest.approx(value, rel=2**-24)


@pytest.mark.parametrize(
    ("order", "value"), [("CDAB", -1.8833671e25), ("BADC", -9.8611155e32), ("DCBA", 1.5184998e35)]
)
def test_wrong_order_reads_what_a_wrong_order_reads(order: str, value: float) -> None:
    """123.456 sent as ABCD and read in the other orders; computed with struct."""
    assert decode(point(type="float32", order=order), words("42F6E979")).value == pytest.approx(
        value, rel=1e-6
    )


def encoded(kind: PointType, value: float, order: WordOrder) -> tuple[int, ...]:
    """The registers of `value`, written by another way than the code under test reads them: byte by
    byte."""
    code = {
        "magnitude16": "H", "magnitude32": "I",
        "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "int64": "q", "uint64": "Q",
        "float32": "f", "float64": "d",
    }.get(kind)  # fmt: skip
    if code is None:  # a digit in each half byte
        data = bytes.fromhex(f"{value:0{4 * kind.registers}.0f}")
    elif kind.is_magnitude:
        sign = 1 << 16 * kind.registers - 1
        data = struct.pack(f">{code}", int(abs(value)) | (sign if value < 0 else 0))
    else:
        data = struct.pack(f">{code}", value)
    pairs = [data[i : i + 2] for i in range(0, len(data), 2)]
    if order in ("BADC", "DCBA"):
        pairs = [bytes([low, high]) for high, low in pairs]
    if order in ("CDAB", "DCBA"):
        pairs.reverse()
    return words(b"".join(pairs).hex())


@st.composite
def numbers(draw: st.DrawFn) -> tuple[PointType, float]:
    kind = draw(st.sampled_from([kind for kind in PointType if kind.is_number]))
    bits = 16 * kind.registers
    if kind.is_float:
        return kind, draw(
            st.floats(width=32 if bits == 32 else 64, allow_nan=False, allow_infinity=False)
        )
    if kind.is_bcd:
        return kind, draw(st.integers(0, 10 ** (bits // 4) - 1))
    if kind.is_magnitude:
        most = (1 << bits - 1) - 1
        return kind, draw(st.integers(-most, most))
    low = -(1 << bits - 1) if kind.is_signed else 0
    return kind, draw(st.integers(low, low + (1 << bits) - 1))


@given(numbers(), st.sampled_from(WordOrder))
def test_every_number_comes_back_from_its_registers(
    number: tuple[PointType, float], order: WordOrder
) -> None:
    kind, value = number
    reading = decode(point(type=kind, order=order), encoded(kind, value, order))
    assert reading.value == value
    assert isinstance(reading.value, float if kind.is_float else int)


@given(st.integers(-32768, 32767), st.integers(0, 6), st.integers(-1000, 1000))
def test_scaled_values_are_exact_in_decimal(raw: int, digits: int, offset: int) -> None:
    """235 x 0.1 is 23.5, and 3 x 0.1 is 0.3: no binary residue in what a technician reads."""
    reading = decode(
        point(type="int16", scale=10.0**-digits, offset=float(offset)),
        encoded(PointType.INT16, raw, WordOrder.ABCD),
    )
    expected = raw + offset * 10**digits  # in units of the last digit
    assert reading.value == expected / 10**digits
    assert reading.text == (
        f"{expected / 10**digits:.{digits}f}" if expected or not digits else "0." + "0" * digits
    )


@pytest.mark.parametrize(
    ("fields", "registers", "value", "text", "plausible"),
    [
        ({"type": "int16", "scale": 0.1, "unit": "°C"}, [235], 23.5, "23.5 °C", None),
        ({"type": "int16", "scale": 0.1, "unit": "°C"}, [0xFFEB], -2.1, "-2.1 °C", None),
        ({"scale": 0.1}, [200], 20.0, "20.0", None),
        ({"scale": 10.0, "unit": "W"}, [5], 50, "50 W", None),
        ({"scale": -1}, [5], -5, "-5", None),
        ({"offset": -40, "unit": "°C"}, [65], 25, "25 °C", None),
        ({"scale": 0.5, "offset": 273.15, "unit": "K"}, [1], 273.65, "273.65 K", None),
        ({"plausible_min": 0, "plausible_max": 100}, [100], 100, "100", True),
        ({"plausible_min": 0, "plausible_max": 100}, [101], 101, "101", False),
        ({"plausible_min": 300}, [299], 299, "299", False),
        ({"no_value": [0x8000]}, [0x8000], None, "no value", None),
        (
            {"type": "int32", "order": "CDAB", "no_value": [0x80000000]},
            [0, 0x8000],
            None,
            "no value",
            None,
        ),
        # SunSpec common conventions: float32 7FC00000 is 'not implemented' (pysunspec2 1.3.7,
        # mb.py).
        ({"type": "float32", "no_value": [0x7FC00000]}, [0x7FC0, 0], None, "no value", None),
        ({"type": "float32"}, [0x7FC0, 0], None, "not a number", False),
        ({"type": "float32"}, [0xFF80, 0], None, "infinite", False),
        ({"type": "float32", "unit": "V"}, [0x42F6, 0xE979], 123.45600128173828, "123.456 V", None),
        (
            {"type": "float64"},
            [0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF],
            1.7976931348623157e308,
            "1.79769313486232e+308",
            None,
        ),
        (
            {"type": "float64", "scale": 10},
            [0x7FEF, 0xFFFF, 0xFFFF, 0xFFFF],
            None,
            "infinite",
            False,
        ),
        (
            {"type": "bits", "names": {"0": "ready", "3": "fault"}},
            [0b11001],
            25,
            "0x0019 (ready, fault, bit 4)",
            None,
        ),
        ({"type": "bits"}, [0], 0, "0x0000 (none set)", None),
        ({"type": "enum", "names": {"2": "open"}}, [2], 2, "open", True),
        ({"type": "enum", "names": {"2": "open"}}, [3], 3, "3 (no such state)", False),
        # "ACME SOLAR" in registers 16707 19781 8275 20300 16722 (SunSpec common model dump, docs.rs
        # sunspec 0.9.0).
        (
            {"type": "text", "length": 5},
            [16707, 19781, 8275, 20300, 16722],
            "ACME SOLAR",
            "ACME SOLAR",
            None,
        ),
        ({"type": "text", "length": 2, "order": "BADC"}, [0x4241, 0x0043], "ABC", "ABC", None),
        ({"type": "text", "length": 2}, [0x1B5B, 0x324A], "\\x1b[2J", "\\x1b[2J", None),
        ({"type": "text", "length": 1}, [0], "", "", None),
    ],
)
def test_values(
    fields: dict[str, Any], registers: list[int], value: object, text: str, plausible: bool | None
) -> None:
    reading = decode(point(**fields), registers)
    assert (reading.value, reading.text, reading.plausible) == (value, text, plausible)
    assert type(reading.value) is type(value)
    assert reading.registers == tuple(registers)


@given(st.sampled_from(PointType), st.sampled_from(WordOrder), st.data())
def test_whatever_a_unit_sends_the_document_is_sound_json_without_control_codes(
    kind: PointType, order: WordOrder, data: st.DataObject
) -> None:
    made = point(
        type=kind,
        order=order,
        length=3 if kind is PointType.TEXT else None,
        names={"1": "one"},
        scale=0.01,
    )
    registers = data.draw(
        st.lists(st.integers(0, 0xFFFF), min_size=made.count, max_size=made.count)
    )
    reading = decode(made, registers)
    json.dumps(reading.document(), allow_nan=False)
    assert reading.text.isprintable()


def test_document_of_a_reading() -> None:
    made = point(
        name="Temperature",
        function=4,
        register=1,
        type="int16",
        scale=0.1,
        unit="°C",
        plausible_max=85,
    )
    assert decode(made, [235]).document() == {
        "name": "Temperature",
        "function": 4,
        "register": 1,
        "sheet_register": 1,
        "count": 1,
        "type": "int16",
        "unit": "°C",
        "scale": 0.1,
        "scale_register": None,
        "registers": [235],
        "value": 23.5,
        "text": "23.5 °C",
        "plausible": True,
    }


@pytest.mark.parametrize(
    ("fields", "registers", "scale_word", "value", "text"),
    [
        ({"type": "int16", "unit": "V"}, [2304], 0xFFFF, 230.4, "230.4 V"),
        ({"type": "int16", "scale": 0.1}, [235], 0xFFFF, 2.35, "2.35"),
        ({"type": "int32"}, [0, 7], 2, 700, "700"),
        ({"type": "float32"}, [0x42C8, 0], 0xFFFF, 10.0, "10"),
        ({"type": "uint16"}, [7], 0x8000, None, "no scale (its register holds 0x8000)"),
    ],
)
def test_scale_held_in_a_register(
    fields: dict[str, Any], registers: list[int], scale_word: int, value: float | None, text: str
) -> None:
    reading = decode(point(**fields, scale_register={"register": 9}), registers, scale_word)
    assert (reading.value, reading.text) == (value, text)
    assert reading.plausible is (None if value is not None else False)
    assert reading.document()["scale_register"] == 9


def test_a_scale_that_does_not_divide_evenly_gives_no_endless_digits() -> None:
    made = point(scale_register={"register": 9, "means": "divisor"})
    assert decode(made, [1], 3).text == "0.3333333333"
    assert decode(made, [5], 4).text == "1.25"


def test_without_its_scale_register_there_is_no_value() -> None:
    made = profile(
        points=[
            {
                "name": "U",
                "function": 3,
                "register": 0,
                "type": "uint16",
                "scale_register": {"register": 9},
            },
        ]
    )
    assert readings(made, {(3, 0): 5}) == ()
    assert [r.value for r in readings(made, {(3, 0): 5, (3, 9): 0xFFFF})] == [0.5]
    with pytest.raises(ValueError, match="scale register"):
        decode(made.points[0], [5])


def test_bits_over_two_registers_count_from_the_least_significant() -> None:
    made = point(type="bits", length=2, order="CDAB", names={"0": "low", "31": "high"})
    reading = decode(made, [0x0001, 0x8000])
    assert (reading.value, reading.text) == (0x80000001, "0x80000001 (low, high)")


def test_wrong_number_of_registers_is_refused() -> None:
    with pytest.raises(ValueError, match="takes 2 registers, not 1"):
        decode(point(type="float32"), [1])


def test_points_are_read_only_where_all_their_registers_are_there() -> None:
    """Half a value, one not read and the same number in the other table give no reading."""
    made = profile(
        points=[
            {"name": "Whole", "function": 3, "register": 0, "type": "uint32"},
            {"name": "Half", "function": 3, "register": 2, "type": "uint32"},
            {"name": "Not read", "function": 3, "register": 4, "type": "uint16"},
            {"name": "Input", "function": 4, "register": 0, "type": "uint16"},
        ]
    )
    found = readings(made, {(3, 0): 1, (3, 1): 2, (3, 2): 3})
    assert [(reading.point.name, reading.value) for reading in found] == [("Whole", 0x00010002)]


def test_bytes_in_order_of_significance() -> None:
    assert in_order([0x0201, 0x0403], WordOrder.DCBA) == bytes([3, 4, 1, 2])


@pytest.mark.parametrize(
    ("fields", "registers", "value", "text"),
    [
        # Each half byte is a digit; 1 to 9999 by hand.
        ({"type": "bcd16"}, [0x1234], 1234, "1234"),
        ({"type": "bcd16", "scale": 0.1, "unit": "V"}, [0x2305], 230.5, "230.5 V"),
        ({"type": "bcd32"}, [0x0012, 0x3456], 123456, "123456"),
        ({"type": "bcd32", "order": "CDAB"}, [0x3456, 0x0012], 123456, "123456"),
        ({"type": "bcd16"}, [0x12A4], None, "no BCD number (0x12A4)"),
        # The highest bit is the sign, the others the magnitude.
        ({"type": "magnitude16"}, [0x0005], 5, "5"),
        ({"type": "magnitude16", "scale": 0.1}, [0x8005], -0.5, "-0.5"),
        ({"type": "magnitude32"}, [0x8001, 0x0000], -65536, "-65536"),
        ({"type": "magnitude16", "no_value": [0x8000]}, [0x8000], None, "no value"),
        # Fields of several bits, counted from the lowest.
        ({"type": "uint16", "first_bit": 4, "bit_count": 3}, [0x00DF], 5, "5"),
        (
            {"type": "enum", "first_bit": 14, "bit_count": 2, "names": {2: "hot"}},
            [0x8FFF],
            2,
            "hot",
        ),
        ({"type": "uint32", "first_bit": 12, "bit_count": 8}, [0x000A, 0xB123], 0xAB, "171"),
    ],
)
def test_other_ways_to_write_a_number(
    fields: dict[str, Any], registers: list[int], value: object, text: str
) -> None:
    reading = decode(point(**fields), registers)
    assert (reading.value, reading.text) == (value, text)


@given(st.integers(0, 99_999_999))
def test_every_bcd_number_is_its_digits(number: int) -> None:
    digits = f"{number:08d}"
    read = decode(point(type="bcd32"), [int(digits[:4], 16), int(digits[4:], 16)])
    assert read.value == number

"""Register numbers of data sheets and what goes on the wire."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.profiles.registers import HIGHEST, Numbering, Register, from_sheet, reference


@pytest.mark.parametrize(
    ("number", "numbering", "wire", "function"),
    [
        # MODBUS Application Protocol V1.1b3, section 6.3: holding registers 108 to 110 are asked
        # for as 00 6B (107).
        (108, Numbering.ONE_BASED, 0x6B, None),
        # Section 6.4: input register 9 is asked for as 00 08.
        (9, Numbering.ONE_BASED, 8, None),
        # References: common practice.
        (40108, Numbering.REFERENCE, 0x6B, 3),
        (400108, Numbering.REFERENCE, 0x6B, 3),
        (30009, Numbering.REFERENCE, 8, 4),
        (1, Numbering.REFERENCE, 0, 1),  # 00001
        (9999, Numbering.REFERENCE, 9998, 1),
        (10001, Numbering.REFERENCE, 0, 2),
        (165536, Numbering.REFERENCE, HIGHEST, 2),
        (49999, Numbering.REFERENCE, 9998, 3),
        (465536, Numbering.REFERENCE, HIGHEST, 3),
        (0, Numbering.WIRE, 0, None),
        (HIGHEST, Numbering.WIRE, HIGHEST, None),
        (HIGHEST + 1, Numbering.ONE_BASED, HIGHEST, None),
        (40001, Numbering.WIRE, 40001, None),
        (40001, Numbering.ONE_BASED, 40000, None),
    ],
)
def test_data_sheet_numbers_on_the_wire(
    number: int, numbering: Numbering, wire: int, function: int | None
) -> None:
    register = from_sheet(number, numbering)
    assert register == Register(wire, number)
    assert register.function == function


@given(st.integers(0, HIGHEST), st.sampled_from(["1", "3", "4"]), st.sampled_from([5, 6]))
def test_a_reference_is_its_table_and_the_register_counted_from_1(
    wire: int, table: str, digits: int
) -> None:
    number = int(table + str(wire + 1).zfill(digits - 1))
    register = from_sheet(number, Numbering.REFERENCE)
    assert register.wire == wire
    assert register.function == {"1": 2, "3": 4, "4": 3}[table]


@pytest.mark.parametrize(
    ("function", "wire", "expected"),
    [(1, 0, "00001"), (2, 9998, "19999"), (4, 8, "30009"), (3, 0x6B, "40108"), (3, 9999, "410000")],
)
def test_the_reference_of_what_goes_on_the_wire(function: int, wire: int, expected: str) -> None:
    """Common practice: the digit of the table before the number counted from 1."""
    assert reference(function, wire) == expected
    back = from_sheet(int(expected), Numbering.REFERENCE)
    assert (back.wire, back.function) == (wire, function)


@given(st.integers(-10, 500_000), st.sampled_from(Numbering))
def test_any_number_gives_a_register_or_a_sentence(number: int, numbering: Numbering) -> None:
    try:
        register = from_sheet(number, numbering)
    except ValueError as error:
        assert str(number) in str(error)
    else:
        assert 0 <= register.wire <= HIGHEST
        assert register.sheet == number


def test_both_numbers_are_shown_where_they_differ() -> None:
    assert str(Register(257, 257)) == "257 (0x0101)"
    assert str(Register(257, 40258)) == "257 (0x0101, data sheet 40258)"

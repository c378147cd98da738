"""Address sets as the user writes them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.errors import UsageError
from busprobe.modbus.addresses import ALL, both_forms, format_addresses, parse_addresses


def test_the_whole_range_is_the_standards() -> None:
    """MODBUS over Serial Line V1.02, section 2.2: 1 to 247."""
    assert parse_addresses("1-247") == ALL == tuple(range(1, 248))


def test_lists_and_ranges() -> None:
    assert parse_addresses("20, 1,5,10-12") == (1, 5, 10, 11, 12, 20)


@pytest.mark.parametrize("text", ["", "0", "256", "5-1", "a", "1,,2", "1-", "-3", "1.5"])
def test_anything_else_names_what_was_written(text: str) -> None:
    with pytest.raises(UsageError, match="address"):
        parse_addresses(text)


@given(st.sets(st.integers(1, 255), min_size=1))
def test_printing_and_parsing_agree(addresses: set[int]) -> None:
    assert parse_addresses(format_addresses(addresses)) == tuple(sorted(addresses))


def test_both_forms() -> None:
    """Decimal and hex side by side: 'set 20, found at 32' is a common mistake."""
    assert both_forms(32) == "32 (0x20)"

"""Hostile text is harmless and still visible as what it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.text import from_device, harmless, hex_bytes, visible


@given(st.text())
def test_nothing_that_moves_a_cursor_or_reorders_text_is_left(text: str) -> None:
    shown = harmless(text)
    assert not any(ord(c) < 0x20 or c in "\x7f\u202e\u2066\u200b\u2028" for c in shown)
    assert harmless(shown) == shown


@given(st.text(), st.text())
def test_different_texts_stay_different(one: str, other: str) -> None:
    assert (visible(one) == visible(other)) == (one == other)


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        (b"AT-10\x00\x00", "AT-10"),
        (b"\x1b[2J", "\\x1b[2J"),
        (b"a\\b", "a\\\\b"),
        (b"\xe9", "é"),
        (b"x\x9by", "x\\x9by"),
    ],
)
def test_bytes_of_a_unit(raw: bytes, shown: str) -> None:
    assert from_device(raw) == shown


def test_hex_bytes() -> None:
    assert hex_bytes(b"\x01\xab") == "01 AB"

"""Hostile text is harmless and still visible as what it was."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.text import from_device, harmless, hex_bytes, plain, visible


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


def test_each_sign_has_one_plain_character_and_none_is_the_sign_for_unsure() -> None:
    """Signs of the map in plain: . - > o X ?; a graph, a frame and units stay as wide."""
    assert plain("·-▸●X?") == ".->oX?"
    for text in ("✓ done ! check ✖ wrong …", "╭─┬━╮│┃╰└┘█▁▅", "21 °C 120 Ω 3 m² ±5 µs →", "日本"):
        shown = plain(text)
        assert shown.isascii()
        assert len(shown) == len(text)
        assert "?" not in shown


def test_what_an_encoding_has_is_left_as_it_is() -> None:
    """ISO 8859-1 has the degree sign and no check mark."""
    assert plain("✓ 21 °C", "iso8859-1") == "+ 21 °C"
    assert plain("✓ 21 °C", "utf-8") == "✓ 21 °C"

"""Words that are read from two metres."""

from __future__ import annotations

import pytest

from busprobe.wizard.common.large_word import HEIGHT, drawn


@pytest.mark.parametrize(
    "word",
    [
        *[
            "HERE",
            "GONE",
            "NONE",
            "LOST",
            "TWO",
            "ONE",
            "CONNECT",
            "DONE",
            "NO",
            "UNDONE",
            "END",
            "??",
        ],
        "OFF ON",
    ],
)
def test_every_large_word_is_drawn_with_all_its_letters(word: str) -> None:
    """A letter without a drawing would be left out: NO must never be read for NONE."""
    assert len(drawn(word)) == HEIGHT
    assert all(drawn(letter)[0] for letter in word)
    assert all("█" in "".join(drawn(letter)) for letter in word if letter != " ")

"""Counts in sentences."""

from __future__ import annotations

from busprobe.wiring.wording import agree, counted, share, units


def test_words_agree_with_their_numbers() -> None:
    assert [counted(n, "reply", "replies") for n in (0, 1, 2)] == [
        "0 replies",
        "1 reply",
        "2 replies",
    ]
    assert [share(n, n, "frame") for n in (1, 3)] == ["1 of 1 frame", "3 of 3 frames"]
    assert [agree(n, "is", "are") for n in (0, 1, 2)] == ["are", "is", "are"]
    assert [units({11}), units([31, 11, 12, 11])] == ["unit 11", "units 11-12,31"]

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.line.settings import LineSettings
from busprobe.survey.collision import overlaps
from tests.survey.scripted import SETTINGS, frame

REFUSED = frame(5, 0x83, 2)


def test_two_frames_that_begin_together_are_the_and_of_their_bytes() -> None:
    """A space of either wins, so a bit is 1 only where both send 1 (wired pair)."""
    one, other = frame(1, 3, 2, 1, 44), frame(1, 3, 2, 1, 49)
    both = bytes(a & b for a, b in zip(one, other, strict=True))
    assert both in overlaps(one, other, SETTINGS)


def test_frames_unharmed_are_no_wrecks() -> None:
    """Identical frames at the same moment come out as one: nothing to tell them by."""
    assert REFUSED not in overlaps(REFUSED, REFUSED, SETTINGS)


def test_what_overlaps_only_at_its_end_keeps_its_head_and_its_tail() -> None:
    wrecks = overlaps(REFUSED, REFUSED, SETTINGS)
    assert any(
        len(w) > len(REFUSED) and w[:3] == REFUSED[:3] and w[-2:] == REFUSED[-2:] for w in wrecks
    )


@settings(max_examples=10, deadline=None)
@given(
    st.binary(min_size=1, max_size=3),
    st.binary(min_size=1, max_size=3),
    st.sampled_from(["9600-8N1", "19200-8E1"]),
)
def test_a_wreck_is_never_longer_than_both_frames(one: bytes, other: bytes, at: str) -> None:
    assert all(
        len(w) <= len(one) + len(other) for w in overlaps(one, other, LineSettings.parse(at))
    )

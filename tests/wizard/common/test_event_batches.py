"""Events handed to the screen in batches."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wizard.common.event_batches import batches


@given(st.lists(st.integers()))
def test_batches_lose_nothing_and_keep_the_order(events: list[int]) -> None:
    assert [event for batch in batches(events) for event in batch] == events


def test_batches_keep_nothing_back_while_no_more_may_come() -> None:
    assert list(batches([1, 2, 3], at_once=lambda: True)) == [(1,), (2,), (3,)]


def test_a_batch_goes_out_before_the_last_event_where_events_are_slow(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    moments = iter([0.0, 0.01, 0.06, 0.06, 0.07])
    monkeypatch.setattr(
        "busprobe.wizard.common.event_batches.time.monotonic", lambda: next(moments)
    )
    assert list(batches("abc")) == [("a", "b"), ("c",)]

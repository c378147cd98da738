"""Events of a fast service handed to the screen in batches, so that the screen never falls behind
the line."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from typing import TypeVar

Event = TypeVar("Event")

SCREEN_INTERVAL = 0.05
"""Seconds of real time between two batches: twenty a second look fluent."""


def _never() -> bool:
    return False


def batches(
    events: Iterable[Event], *, at_once: Callable[[], bool] = _never
) -> Iterator[tuple[Event, ...]]:
    """All of `events` in order, in batches of what came within `SCREEN_INTERVAL`; each of them
    `at_once` while that is so, since no more may come for long."""
    batch: list[Event] = []
    sent = time.monotonic()
    for event in events:
        batch.append(event)
        if at_once() or time.monotonic() - sent >= SCREEN_INTERVAL:
            yield tuple(batch)
            batch.clear()
            sent = time.monotonic()
    if batch:
        yield tuple(batch)

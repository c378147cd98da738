"""Time as something handed in: the system's on a real port, simulated on the virtual segment."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Seconds that only go forward, and a way to let them pass."""

    def now(self) -> float:
        """Seconds since some fixed moment."""
        ...

    def sleep_until(self, moment: float) -> None:
        """Return once `now()` has reached `moment`; at once if it already has."""
        ...


class SystemClock:
    """The computer's own steady clock.

    `time.monotonic` would go in steps of 15.6 ms on Windows before Python 3.13 (What's New In
    Python 3.13, time), which is longer than most replies take.
    """

    def now(self) -> float:
        """Seconds of `time.perf_counter`."""
        return time.perf_counter()

    def sleep_until(self, moment: float) -> None:
        """Let real time pass until `moment`."""
        while (left := moment - self.now()) > 0:
            time.sleep(left)


class VirtualClock:
    """Simulated time: sleeping costs nothing and is exact."""

    def __init__(self, start: float = 0.0) -> None:
        self._now = start

    def now(self) -> float:
        """Simulated seconds."""
        return self._now

    def sleep_until(self, moment: float) -> None:
        """Jump to `moment` if it lies ahead."""
        self._now = max(self._now, moment)


class ScaledClock:
    """Real time run faster, so that a person can watch a virtual segment without waiting as long as
    life takes."""

    def __init__(self, speed: float) -> None:
        """`speed` is how many of this clock's seconds pass in one real second; above 0."""
        self._speed = speed
        self._real = SystemClock()

    def now(self) -> float:
        """Seconds that have passed by this clock."""
        return self._real.now() * self._speed

    def sleep_until(self, moment: float) -> None:
        """Let time pass until `moment` by this clock."""
        self._real.sleep_until(moment / self._speed)

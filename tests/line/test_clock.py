"""Clocks: simulated time is exact, real time passes, scaled time passes faster."""

from __future__ import annotations

import time

from busprobe.line.clock import ScaledClock, SystemClock, VirtualClock


def test_virtual_time_jumps_and_never_goes_back() -> None:
    clock = VirtualClock(5.0)
    clock.sleep_until(8.5)
    clock.sleep_until(1.0)
    assert clock.now() == 8.5


def test_real_time_passes() -> None:
    clock = SystemClock()
    end = clock.now() + 0.02
    clock.sleep_until(end)
    assert clock.now() >= end


def test_scaled_time_passes_faster_than_real_time() -> None:
    clock = ScaledClock(1000)
    real, scaled = time.monotonic(), clock.now()
    clock.sleep_until(scaled + 10)
    assert clock.now() - scaled >= 10
    assert time.monotonic() - real >= 0.01

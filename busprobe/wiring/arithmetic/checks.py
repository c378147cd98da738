"""One check for all numbers a user puts into the arithmetic."""

from __future__ import annotations

import math

from busprobe.errors import UsageError


def require(value: float, what: str, unit: str, *, zero: bool = False) -> float:
    """Return `value` if it is a finite number above zero (or zero, where `zero` allows it); raises `UsageError`."""
    if math.isfinite(value) and (value > 0 or (zero and value == 0)):
        return value
    least = "zero or more" if zero else "more than zero"
    raise UsageError(f"{what} cannot be {value:g} {unit}.", todo=f"Give a number of {unit}, {least}.")

"""One check for all numbers a user puts into the arithmetic."""

from __future__ import annotations

from busprobe.errors import UsageError

_LEAST, _MOST = 1e-12, 1e12
"""What a length, a resistance, a time or a voltage of a pair stays between, whatever its unit;
beyond it sums overflow into nonsense."""


def require(value: float, what: str, unit: str, *, zero: bool = False) -> float:
    """Return `value` if it is above zero (or zero, where `zero` allows it) and sensible; raises
    `UsageError`."""
    if (0 if zero else _LEAST) <= value <= _MOST:
        return value
    least = "zero or more" if zero else "more than zero"
    todo = f"Give a number of {unit}, {least} and at most {_MOST:g}."
    raise UsageError(f"{what} cannot be {value:g} {unit}.", todo=todo)

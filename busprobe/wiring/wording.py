"""Counts in sentences: one reply is, two replies are."""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.modbus.addresses import format_addresses


def counted(number: int, one: str, many: str = "") -> str:
    """``1 reply``, ``2 replies``; `many` is `one` with an s where it is left out."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def share(part: int, whole: int, one: str, many: str = "") -> str:
    """``1 of 6 replies``."""
    return f"{part} of {counted(whole, one, many)}"


def agree(number: int, one: str, many: str) -> str:
    """The form of a verb or pronoun that goes with `number`: ``is`` or ``are``."""
    return one if number == 1 else many


def units(addresses: Iterable[int]) -> str:
    """``unit 11``, ``units 11-12,31``."""
    listed = set(addresses)
    return f"{agree(len(listed), 'unit', 'units')} {format_addresses(listed)}"

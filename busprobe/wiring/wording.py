"""Counts in sentences: one reply is, two replies are; and what a hunt has seen."""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.modbus.addresses import format_addresses
from busprobe.wiring.hunt import PortBack, PortEvent, Seen, UnitChanged

_CHANGED = {
    Seen.REPLIES: "unit {} answers",
    Seen.SILENCE: "unit {} answers no more",
    Seen.GARBLED: "unit {}: bytes but no frame",
}


def change_words(change: UnitChanged) -> str:
    """What a hunt has seen of a unit, as its log says it."""
    return _CHANGED[change.now].format(change.address)


def port_words(event: PortEvent) -> str:
    """What a hunt tells of its port, as its log says it."""
    if isinstance(event, PortBack):
        return "the port is back; all units are asked anew"
    return f"the port is lost: {event.error.what} The hunt goes on when it is back."


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

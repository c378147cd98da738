"""Units of one type held against each other: another firmware or batch behaves differently (common
practice)."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass

from busprobe.line.place import Place
from busprobe.modbus.addresses import format_addresses


@dataclass(frozen=True)
class Sibling:
    """One unit of a type, as far as it is compared."""

    place: Place
    version: str | None
    """As it says itself; None where it says none."""


def differences(unit: Sibling, others: Iterable[Sibling]) -> tuple[str, ...]:
    """In a sentence each, in what `unit` differs from other units of its type; nothing said is no
    difference."""
    siblings = tuple(other for other in others if other.place != unit.place)
    return (
        *_compared(unit, siblings, "Its version is", lambda u: u.version and f"'{u.version}'"),
        *_compared(unit, siblings, "It answers at", lambda u: str(u.place.settings)),
    )


def _compared(
    unit: Sibling, siblings: Collection[Sibling], lead: str, said: Callable[[Sibling], str | None]
) -> Iterator[str]:
    own = said(unit)
    others: dict[str, list[int]] = {}
    for sibling in siblings:
        theirs = said(sibling)
        if theirs and theirs != own:
            others.setdefault(theirs, []).append(sibling.place.address)
    if own and others:
        listed = ", ".join(
            f"{theirs} at {format_addresses(addresses)}"
            for theirs, addresses in sorted(others.items())
        )
        yield f"{lead} {own}, other than with its siblings: {listed}."

"""One point of a data sheet, with all that it may be at a live unit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from busprobe.profiles.drafting.interpretations import (
    Interpretation,
    agrees,
    distinct,
    is_ordered,
    like_the_others,
    straddles,
)
from busprobe.profiles.drafting.notes import NotedPoint
from busprobe.profiles.registers import Register

_ABOUT_AS_PLAUSIBLE = 0.75
"""Part of the best rating from which the second best may as well be right."""


@dataclass(frozen=True)
class Choice:
    """One point of the notes with everything it may be."""

    noted: NotedPoint
    at: Register
    """Where the data sheet puts it."""
    ways: tuple[Interpretation, ...]
    """The plausible ones first; empty where none of its registers was given."""
    chosen: bool = False
    """Whether a person said that the first of them is right."""
    silent: bool = False
    """Whether the unit did not answer when it was asked for this, so that nothing is known of it.
    """
    unasked: bool = False
    """Whether the unit has not been asked for all of this yet."""

    @property
    def best(self) -> Interpretation | None:
        """The chosen one, or the most plausible one."""
        return self.ways[0] if self.ways else None

    @property
    def agrees(self) -> bool | None:
        """Whether the best one is what the display shows; None where no display was looked at, or
        nothing is read."""
        if self.noted.shows is None or not self.ways:
            return None
        return agrees(self.noted, self.ways[0].reading)

    @property
    def settles_order(self) -> bool:
        """Whether the data sheet, a person or the display says in which order its registers are
        read."""
        if self.best is None or not is_ordered(self.best.point):
            return False
        return (
            self.noted.order is not None or self.chosen or bool(self.agrees and self.doubt is None)
        )

    @property
    def open(self) -> bool:
        """Whether another value is about as plausible, nobody chose, and no display has been looked
        at."""
        others = distinct(self.ways)[1:2]
        return (
            not self.chosen
            and self.noted.shows is None
            and any(
                other.plausibility >= _ABOUT_AS_PLAUSIBLE * self.ways[0].plausibility
                for other in others
            )
        )

    @property
    def doubt(self) -> Interpretation | None:
        """What looks much the same one register beside; None where there is no such thing."""
        return straddles(self.ways[0], self.ways[1:]) if self.ways and not self.chosen else None


def in_one_order(choices: tuple[Choice, ...], shift: int) -> tuple[Choice, ...]:
    """`choices`, the open ones read in the order of the settled ones where these are all in the
    same."""
    settled = {
        choice.best.point.order for choice in choices if choice.best and choice.settles_order
    }
    if len(settled) != 1:
        return choices
    (order,) = settled
    return tuple(
        (
            choice
            if choice.settles_order or choice.chosen or choice.noted.shows is not None
            else replace(choice, ways=preferring(shift, like_the_others(choice.ways, order)))
        )
        for choice in choices
    )


def preferring(
    shift: int, ways: Iterable[Interpretation], noted: NotedPoint | None = None
) -> tuple[Interpretation, ...]:
    """`ways`, the plausible ones first, but before them those that read where the numbering, put
    right, says, and before all those that read what the display of `noted` shows."""

    def place(way: Interpretation) -> tuple[bool, bool, float]:
        shown = noted is not None and noted.shows is not None
        contradicts = noted is not None and shown and not agrees(noted, way.reading)
        return contradicts, bool(shift) and way.shift != shift, -way.plausibility

    return tuple(sorted(ways, key=place))

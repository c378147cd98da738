"""What is about to happen on the wire, told before it does: whoever hears of it may hold it or end
it there."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import Any, TypeVar

from busprobe.line.exchange import Waits
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Request


@dataclass(frozen=True)
class Asking:
    """A request is about to leave."""

    settings: LineSettings
    address: int
    words: str
    frame: bytes
    waits: Waits

    @classmethod
    def of(cls, request: Request, settings: LineSettings, waits: Waits) -> Asking:
        """What asking `request` is."""
        return cls(settings, request.address, request.words, request.frame, waits)


@dataclass(frozen=True)
class Listening:
    """Nothing is sent for a while, and whatever comes is gathered."""

    settings: LineSettings
    seconds: float


T = TypeVar("T")

Step = Asking | Listening
"""One thing done on the wire."""


def to_the_end(steps: Generator[Any, None, T]) -> T:
    """Run `steps` through without telling anybody; what they come to."""
    while True:
        try:
            next(steps)
        except StopIteration as done:
            result: T = done.value
            return result

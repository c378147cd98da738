"""Requests without a reply: late ones may still come, and stray bytes may be pieces of them."""

from __future__ import annotations

from collections import deque

from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Request
from busprobe.modbus.traffic import Frame
from busprobe.survey.interference import can_answer

LATE_FOR = 3.0
"""Seconds for which a frame from an address that was asked may be its late reply."""

OpenRequest = tuple[float, Request]
"""Clock seconds when it was sent, and what was asked."""


class OpenRequests:
    """The requests of the last seconds that were not answered."""

    def __init__(self) -> None:
        self._open: deque[OpenRequest] = deque()
        self.suspects: list[tuple[Request, ...]] = []
        """For each time that stray bytes came: what was asked shortly before."""

    def book(self, reply: Reply) -> None:
        """Book a request by its reply; those so old that no reply is expected any more are
        forgotten."""
        while self._open and self._open[0][0] < reply.exchange.ended - LATE_FOR:
            self._open.popleft()
        if not reply.present:
            self._open.append((reply.exchange.sent, reply.request))

    def forget(self) -> None:
        """At other settings no reply to these will be heard."""
        self._open.clear()

    def settle(self, frame: Frame) -> OpenRequest | None:
        """Take a late reply for the request that it answers, with the time that was sent; None if
        it answers none."""
        for at in self._open:
            if can_answer(frame, at[1]):
                self._open.remove(at)
                return at
        return None

    def last_asked(self, address: int) -> float | None:
        """Clock seconds when `address` was last asked something that is still open."""
        return max(
            (sent for sent, request in self._open if request.address == address), default=None
        )

    @property
    def last(self) -> float | None:
        """Clock seconds when any unit was last asked something that is still open."""
        return self._open[-1][0] if self._open else None

    def since(self, time: float) -> tuple[Request, ...]:
        """What was asked from clock time `time` on and is still open."""
        return tuple(request for sent, request in self._open if sent >= time)

    def suspect(self, time: float) -> None:
        """Suspect what was asked from clock time `time` on."""
        group = self.since(time)
        if group:
            self.suspects.append(group)

    def take_suspects(self) -> list[tuple[Request, ...]]:
        """The suspects, which are asked next and so suspected no more."""
        taken, self.suspects = self.suspects, []
        return taken

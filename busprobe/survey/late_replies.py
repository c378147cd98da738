"""Requests without a reply: late ones may still come, and stray bytes may be pieces of them."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

from busprobe.line.settings import LineSettings
from busprobe.modbus.replies import Reply
from busprobe.modbus.requests import Request
from busprobe.modbus.traffic import Frame
from busprobe.survey.interference import can_answer

LATE_FOR = 3.0
"""Seconds for which a frame from an address that was asked may be its late reply."""


class LateReply(NamedTuple):
    """What a frame answers late."""

    request: Request
    seconds: float
    """From when it was sent to when the reply was settled."""


class Suspects(NamedTuple):
    """Requests one of which bytes may belong to that make no frame."""

    requests: tuple[Request, ...]
    stray_bytes: int
    """How many of them were counted as noise."""


class OpenRequests:
    """The requests of the last seconds that were not answered, those at the present line
    settings."""

    def __init__(self, settings: LineSettings) -> None:
        self._open: deque[tuple[float, Request]] = deque()
        self._at = {settings: self._open}
        self.suspects: list[Suspects] = []
        """For each time that stray bytes came: what was asked shortly before."""

    def book(self, reply: Reply) -> None:
        """Book a request by its reply; those so old that no reply is expected any more are
        forgotten."""
        self._forget_before(reply.exchange.ended - LATE_FOR)
        if not reply.present:
            self._open.append((reply.exchange.sent, reply.request))

    def switch(self, settings: LineSettings, now: float) -> None:
        """The line is set to `settings` at clock time `now`: only replies to what was asked there
        are heard from now on."""
        self._open = self._at.setdefault(settings, deque())
        self._forget_before(now - LATE_FOR)

    def _forget_before(self, time: float) -> None:
        while self._open and self._open[0][0] < time:
            self._open.popleft()

    def drop(self, address: int) -> None:
        """What `address` was asked is not waited for any more: it is asked again."""
        for at in [at for at in self._open if at[1].address == address]:
            self._open.remove(at)

    def settle(self, frame: Frame, now: float) -> LateReply | None:
        """Take a late reply heard at clock time `now` for the request that it answers; None if it
        answers none."""
        for at in self._open:
            if can_answer(frame, at[1]):
                self._open.remove(at)
                return LateReply(at[1], now - at[0])
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

    def suspect(self, time: float, stray_bytes: int = 0) -> None:
        """Suspect what was asked from clock time `time` on of so many bytes that count as noise."""
        group = self.since(time)
        if group:
            self.suspects.append(Suspects(group, stray_bytes))

    def take_suspects(self) -> list[Suspects]:
        """The suspects, which are asked next and so suspected no more."""
        taken, self.suspects = self.suspects, []
        return taken

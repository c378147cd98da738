"""What a survey has learnt from the units found so far: how fast they are, and how many requests
they miss."""

from __future__ import annotations

import statistics
from dataclasses import replace

from busprobe.line.settings import LineSettings
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind
from busprobe.survey.schedule import Pace

_SLOW = 0.15
"""Seconds from which a unit is slow, and no measure for the others: to wait so long for each takes
longer than to credit its late replies."""


class LearnedWaits:
    """What close looks have taught."""

    def __init__(self) -> None:
        self.pace = Pace()
        """How long to wait for replies."""
        self.losses: dict[LineSettings, tuple[int, int]] = {}
        """Requests of close looks that a unit there missed, of how many; whoever acts upon them
        clears them."""
        self._slowest = 0.0
        self._looks: list[float] = []
        self._bursts: list[float] = []

    @property
    def mean_look(self) -> float | None:
        """How long a close look took on average where there was nothing odd; None before the
        first."""
        return statistics.mean(self._looks) if self._looks else None

    @property
    def burst_delay(self) -> float | None:
        """Seconds for which the adapter holds bytes back, at most: what the replies of all units
        show alike.

        None before two units have shown something; one alone may pause within its replies.
        """
        return min(self._bursts) if len(self._bursts) > 1 else None

    def looked(self, seconds: float) -> None:
        """Learn how long a close look took."""
        self._looks.append(seconds)

    def wait_for_gateway(self, seconds: float) -> None:
        """Learn how long a gateway takes over a unit that does not respond."""
        self.pace = replace(self.pace, least=max(self.pace.least, seconds))

    def learn(self, seen: Examination) -> None:
        """Learn how fast a unit answers, and how often it misses a request."""
        latency = seen.latency
        if latency is not None and latency.maximum < _SLOW:
            self._slowest = max(self._slowest, latency.maximum)
            self.pace = replace(Pace().learnt(self._slowest), least=self.pace.least)
        if seen.kind is Kind.UNIT:
            # The pause behind stray bytes is the unit's, not the adapter's.
            whole = (r for r in seen.replies if r.present and not (r.junk_before or r.junk_after))
            delays = [delay for r in whole if (delay := r.exchange.burst_delay) is not None]
            self._bursts += [max(delays)] if delays else []
            self.pace = replace(self.pace, least=max(self.pace.least, self.burst_delay or 0.0))
            lost, asked = self.losses.get(seen.settings, (0, 0))
            answered = {r.request.frame for r in seen.replies if r.present}
            # Not the first: a unit that sleeps through it loses no others.
            known = [r.present for r in seen.replies[1:] if r.request.frame in answered]
            self.losses[seen.settings] = lost + known.count(False), asked + len(known)

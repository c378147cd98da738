"""How long replies are waited for and how often is asked: at first, and as the units found so far
have shown."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, replace

from busprobe.line.settings import LineSettings
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind
from busprobe.survey.probes import LIKELY, Probe

PATIENCE = 1.2
"""Seconds in which a slow unit's reply is still awaited, though not by standing still."""

_MISSED = 1e-4
"""Share of the units that may be missed."""
MOST_ROUNDS = 14
"""How often each address is asked at most."""
_SLOW = 0.15
"""Seconds from which a unit is slow, and no measure for the others: to wait so long for each takes
longer than to credit its late replies."""


@dataclass(frozen=True)
class Pace:
    """How long to wait for a reply in a sweep, in seconds; a later reply is credited by the address
    it carries.

    A scan waits 100 to 150 ms in practice.  The kinds of probes that are only left for units that
    stay silent on the first ones wait less: a slower unit is heard in the next probe's time.
    """

    first: float = 0.09
    second: float = 0.045
    others: float = 0.02
    least: float = 0.0
    """What a gateway takes to say that a unit behind it does not respond: meanwhile it hears
    nothing; or for how long the adapter holds bytes back."""

    def wait(self, probe: Probe) -> float:
        """The reply wait for `probe`."""
        likeliest, next_likely = LIKELY
        if probe == likeliest:
            return max(self.least, self.first)
        return max(self.least, self.second if probe == next_likely else self.others)

    def learnt(self, slowest: float) -> Pace:
        """The pace where the slowest unit so far took `slowest` seconds; slower is never forgotten
        by `PATIENCE`."""
        return replace(
            self, first=min(0.2, max(0.07, 2 * slowest)), second=min(0.12, max(0.04, 1.5 * slowest))
        )


def rounds_needed(lost: int, asked: int) -> int:
    """How often to ask where `lost` of `asked` requests went unanswered by units that are there, to
    miss none.

    So often that less than one unit in ten thousand is missed if losses are independent and as
    frequent as the count still allows; capped, since a bus that loses most requests needs repair
    and not patience.
    """
    if not lost:
        return 1
    likely = _likely_loss(lost, asked)
    return (
        MOST_ROUNDS
        if likely >= 1
        else min(MOST_ROUNDS, math.ceil(math.log(_MISSED) / math.log(likely)))
    )


def may_miss(lost: int, asked: int) -> bool:
    """Whether even the most rounds leave more than one unit in ten thousand to be missed."""
    return bool(lost) and _likely_loss(lost, asked) ** MOST_ROUNDS > _MISSED


def _likely_loss(lost: int, asked: int) -> float:
    """The upper bound at 95 % (Poisson) of the share of requests that are lost."""
    return (lost + 1 + 1.64 * math.sqrt(lost)) / asked


class LearnedWaits:
    """What close looks have taught."""

    def __init__(self) -> None:
        self.pace = Pace()
        """How long to wait for replies."""
        self.losses: dict[LineSettings, tuple[int, int]] = {}
        """Requests of close looks that a unit there missed, of how many; what acts upon them
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

    def wait_for_absent(self, seconds: float) -> None:
        """Learn how long it takes until a gateway has answered for a unit that does not
        respond."""
        self.pace = replace(self.pace, least=max(self.pace.least, seconds))

    def learn(self, seen: Examination) -> None:
        """Learn how fast a unit answers, and how often it misses a request."""
        latency = seen.latency
        if latency is not None and latency.maximum < _SLOW:
            self._slowest = max(self._slowest, latency.maximum)
            self.pace = replace(Pace().learnt(self._slowest), least=self.pace.least)
        if seen.kind is Kind.UNIT:
            # The pause behind stray bytes is the unit's, not the adapter's.
            whole = (r for r in seen.replies if r.present and not (r.stray_before or r.stray_after))
            delays = [delay for r in whole if (delay := r.exchange.burst_delay) is not None]
            self._bursts += [max(delays)] if delays else []
            self.pace = replace(self.pace, least=max(self.pace.least, self.burst_delay or 0.0))
            lost, asked = self.losses.get(seen.settings, (0, 0))
            answered = {r.request.frame for r in seen.replies if r.present}
            # Not the first: a unit that sleeps through it loses no others.
            known = [r.present for r in seen.replies[1:] if r.request.frame in answered]
            self.losses[seen.settings] = lost + known.count(False), asked + len(known)

"""How long replies are waited for and how often is asked: at first, and as the units found so far
have shown."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, replace

from busprobe.line.settings import LineSettings
from busprobe.survey.close_look import Examination
from busprobe.survey.findings import Kind
from busprobe.survey.interference import extra_frames
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

_USUAL = LineSettings.parse("9600-8N1")
"""The waits are told for these settings, and are longer at lower baud rates."""


@dataclass(frozen=True)
class Pace:
    """How long to wait for a reply in a sweep, in seconds; a later reply is credited by the address
    it carries.

    A scan waits 100 to 150 ms in practice.  Here a slower unit is heard in the next probe's time:
    over 5,000 random buses (`tests.benchmarks.random_buses`) these waits miss 1.9 % of the units,
    mostly sleepers that answer one kind of probe; three times as long ones miss slightly fewer, and
    take 14 s more.  They differ, so that a reply that comes while a request is sent to another
    address does not do so each time.
    """

    first: float = 0.03
    second: float = 0.025
    others: float = 0.02
    least: float = 0.0
    """What a gateway takes to say that a unit behind it does not respond: meanwhile it hears
    nothing; or for how long the adapter holds bytes back."""

    def wait(self, probe: Probe, settings: LineSettings, *, again: bool = False) -> float:
        """The reply wait for `probe` at `settings`; `again` says that it was sent before."""
        likeliest, next_likely = LIKELY
        wait = self.others
        if probe == likeliest and not again:
            wait = self.first
        elif probe in (likeliest, next_likely):
            wait = self.second
        return max(self.least, wait + max(0.0, _until_heard(settings) - _until_heard(_USUAL)))

    def learnt(self, usual: float) -> Pace:
        """The pace where the slowest unit so far usually took `usual` seconds; slower is never
        forgotten by `PATIENCE`."""
        return replace(
            self,
            first=min(0.1, max(self.first, 1.5 * usual)),
            second=min(0.06, max(self.second, 1.2 * usual)),
        )


def _until_heard(settings: LineSettings) -> float:
    """Seconds until a unit without a delay of its own is heard: it notices the end of the request
    (V1.02 section 2.5.1.1), and its first character passes."""
    return settings.t3_5 + settings.character_time


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
        """Learn how fast a unit answers, and how often it misses a request.

        A reply that came late now and then is no measure, and a request answered late is not lost.
        """
        latency = seen.latency
        if latency is not None and latency.median < _SLOW:
            self._slowest = max(self._slowest, latency.median)
            self.pace = replace(Pace().learnt(self._slowest), least=self.pace.least)
        if seen.kind is Kind.UNIT:
            # The pause behind other bytes is the unit's or another master's, not the adapter's.
            whole = (r for r in seen.replies if r.present and r.exchange.received == r.frame)
            delays = [delay for r in whole if (delay := r.exchange.burst_delay) is not None]
            self._bursts += [max(delays)] if delays else []
            self.pace = replace(self.pace, least=max(self.pace.least, self.burst_delay or 0.0))
            lost, asked = self.losses.get(seen.settings, (0, 0))
            answered = {r.request.frame for r in seen.replies if r.present}
            # Not the first: a unit that sleeps through it loses no others.
            known = [r.present for r in seen.replies[1:] if r.request.frame in answered]
            late = sum(map(len, extra_frames(seen.replies)))
            missed = max(0, known.count(False) - late)
            self.losses[seen.settings] = lost + missed, asked + len(known)

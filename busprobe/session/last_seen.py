"""When each unit of the list last gave a valid reply, whatever it was asked for."""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.job.job import Job
from busprobe.job.records import PollResult, UnitRecord
from busprobe.line.place import Place
from busprobe.modbus.replies import Reply
from busprobe.prove.endurance import Polled
from busprobe.prove.proof import answered

_ANSWERED = (PollResult.OK, PollResult.OK_AFTER_STRAY_BYTES, PollResult.EXCEPTION, PollResult.LATE)


class Heard:
    """Replies as they come, put into the list when `keep` is called: a run may hear a hundred a
    second."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._seen: dict[Place, str] = {}

    def at(self, places: Iterable[Place]) -> None:
        """Units at these places have just answered."""
        self._seen |= dict.fromkeys(places, self._job.now())

    def polled(self, event: Polled) -> None:
        """A poll is over."""
        if event.result in _ANSWERED:
            self.at([event.place])

    def replied(self, replies: Iterable[Reply]) -> None:
        """These came just now; an exception is a reply."""
        self.at(
            Place(each.request.address, each.exchange.settings)
            for each in replies
            if answered(each)
        )

    def keep(self) -> None:
        """Note with each unit when it last answered."""
        by = self._job.meta.tester

        def seen(unit: UnitRecord) -> UnitRecord:
            moment = self._seen.get(unit.place)
            return unit if moment is None else unit.seen_now(moment, by)

        if self._seen:
            self._job.revise_units(seen)

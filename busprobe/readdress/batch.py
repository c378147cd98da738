"""Several moves one after the other: a confirmation for each, and one power cycle to check them
all.

The moves come in an order in which no two units ever share a place
(`busprobe.readdress.move_order`).  One that a guard refuses is left out, with those that build on
it.  One that cannot be verified ends the batch, and so does a no.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from threading import Event as StopFlag
from typing import Literal

from busprobe.errors import BusprobeError, FileError, PortError, RefusedError, StoppedError
from busprobe.job.journal import Result, Row
from busprobe.line.line import Line
from busprobe.readdress.journal import Journal
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.outcome import (
    MoveDocument,
    Outcome,
    ReaddressDocument,
    places,
    refusal,
)
from busprobe.readdress.procedure import Move
from busprobe.readdress.write_sequence import Report


@dataclass(frozen=True)
class Begun:
    """A move is about to be prepared."""

    move: Move
    number: int
    """From 1."""
    of: int
    """Moves in the batch."""


@dataclass(frozen=True)
class Ended:
    """What became of a move."""

    outcome: Outcome


@dataclass(frozen=True)
class Checked:
    """What a power cycle showed of a move."""

    outcome: Outcome


@dataclass(frozen=True, kw_only=True)
class BatchEnd:
    """How a batch ended, as documents have it."""

    outcomes: tuple[ReaddressDocument, ...]
    """The last word on each move that was begun, in order."""
    left: tuple[MoveDocument, ...]
    """Moves that were not begun, in order."""
    power_cycle: Literal["not done", "done", "not needed"]
    why: str


@dataclass(frozen=True)
class BatchFinished:
    """The batch is over."""

    outcomes: tuple[Outcome, ...]
    """The last word on each move that was begun, in order."""
    left: tuple[Move, ...]
    """Moves that were not begun, in order."""
    unchecked: tuple[Outcome, ...]
    """Moves that took effect, or wait to, and were not checked by a power cycle."""
    why: str
    failure: BusprobeError | None = None
    """What cut the batch off: the port failed, or the journal cannot be written; None if
    nothing did."""

    def outcome_of(self, move: Move) -> Outcome | None:
        """The last word on a move; None if it was not begun."""
        return next((outcome for outcome in self.outcomes if outcome.move == move), None)

    @property
    def published(self) -> BatchEnd:
        """What documents say of it."""
        cycled = any(outcome.power_cycled for outcome in self.outcomes)
        return BatchEnd(
            outcomes=tuple(outcome.published for outcome in self.outcomes),
            left=tuple(MoveDocument(**places(move)) for move in self.left),
            power_cycle="not done" if self.unchecked else "done" if cycled else "not needed",
            why=self.why,
        )


BatchEvent = Begun | Ended | Checked | BatchFinished
"""What the batch tells; the last one is always `BatchFinished`."""

_STOPPED = "Stopped by you."

PowerCycle = Callable[[tuple[Outcome, ...]], bool]
"""Has the units of these moves switched off and on again; whether that was done."""


class Batch:
    """The moves; iterate over `run()`."""

    def __init__(
        self,
        line: Line,
        moves: Sequence[Move],
        journal: Journal,
        *,
        confirm: Callable[[Prepared], bool],
        power_cycle: PowerCycle,
        guard: Callable[[Move, Report], Prepared] | None = None,
        report: Report = lambda _: None,
        stop: StopFlag | None = None,
    ) -> None:
        """Carry out `moves` in this order, each once `confirm` says so.

        `guard` prepares a move, by `busprobe.readdress.move.prepare` if left out.  `power_cycle` is
        asked at the end, and before a move that depends on one that waits for it.  Once `stop` is
        set nothing more is written or asked; a write that was sent is still followed up.
        """
        self._line = line
        self._moves = tuple(moves)
        self._journal = journal
        self._confirm = confirm
        self._power_cycle = power_cycle
        self._guard = guard or (lambda move, report: prepare(line, move, report))
        self._report = report
        self._stop = stop or StopFlag()
        self._outcomes: list[Outcome] = []
        self._stuck: list[Move] = []
        """Moves that were refused, and those that build on them."""

    def run(self) -> Iterator[BatchEvent]:
        """Go on until all moves are done, one of them stops the batch, or the port or the journal
        fails, which the last event tells."""
        try:
            yield from self._moved_in_turn()
        except (PortError, FileError) as error:
            yield replace(self._finished(error.what), failure=error)

    def _moved_in_turn(self) -> Iterator[BatchEvent]:
        for number, move in enumerate(self._moves, 1):
            if self._stop.is_set():
                yield self._finished(_STOPPED)
                return
            if any(_depends(move, stuck) for stuck in self._stuck):
                self._stuck.append(move)
                continue
            held_up = any(
                o.result is Result.WAITING and _depends(move, o.move) for o in self._outcomes
            )
            if held_up and not (yield from self._check()):
                yield self._finished(
                    "The next move has to wait for a power cycle that proves the ones before."
                )
                return
            yield Begun(move, number, len(self._moves))
            try:
                outcome = self._carried_out(move)
            except StoppedError:
                yield self._finished(_STOPPED)
                return
            if outcome.row is Row.NOT_CONFIRMED and self._stop.is_set():
                yield self._finished(_STOPPED)
                return
            self._outcomes.append(outcome)
            yield Ended(outcome)
            if outcome.result is Result.NOT_VERIFIED:
                yield self._finished("This move could not be verified; settle that first.")
                return
            if outcome.not_stored is not None:
                yield self._finished("This move is not in the journal; settle that first.")
                return
            if outcome.row is Row.NOT_CONFIRMED:
                yield from self._check()
                yield self._finished("A move was not confirmed; nothing more was begun.")
                return
            if outcome.result is Result.REFUSED:
                self._stuck.append(move)
        proven = yield from self._check()
        made = "Not all moves could be made" if self._stuck else "All moves are done"
        yield self._finished(f"{made}." if proven else f"{made}, and not all are proven.")

    def _carried_out(self, move: Move) -> Outcome:
        try:
            with self._line.stopped_by(self._stop):
                prepared = self._guard(move, self._report)
        except RefusedError as error:
            return refusal(move, error)
        return execute(self._line, prepared, self._journal, self._confirm, self._report, self._stop)

    def _check(self) -> Generator[BatchEvent, None, bool]:
        """Have power taken away and given back, then look at all moves that this can prove; whether
        it did."""
        pending = self._to_check()
        if not pending:
            return True
        if self._stop.is_set() or not self._power_cycle(
            tuple(self._outcomes[place] for place in pending)
        ):
            return False
        for place in pending:
            before = self._outcomes[place]
            later = [
                outcome.move
                for outcome in self._outcomes[place + 1 :]
                if outcome.result is not Result.REFUSED
            ]
            self._outcomes[place] = verify_again(
                self._line,
                before,
                old_taken=any(move.target == before.move.source for move in later),
                journal=self._journal,
                report=self._report,
            )
            yield Checked(self._outcomes[place])
        seen = [self._outcomes[place] for place in pending]
        return all(o.result is Result.VERIFIED and o.not_stored is None for o in seen)

    def _to_check(self) -> list[int]:
        """Which moves are open; one whose unit has gone on since is proven by its later move."""
        places = []
        for place, outcome in enumerate(self._outcomes):
            gone_on = any(
                later.move.source == outcome.move.target and later.result is not Result.REFUSED
                for later in self._outcomes[place + 1 :]
            )
            if (
                outcome.result in (Result.VERIFIED, Result.WAITING)
                and not outcome.power_cycled
                and not gone_on
            ):
                places.append(place)
        return places

    def _finished(self, why: str) -> BatchFinished:
        unchecked = tuple(self._outcomes[place] for place in self._to_check())
        begun = {outcome.move for outcome in self._outcomes}
        left = tuple(move for move in self._moves if move not in begun)
        return BatchFinished(tuple(self._outcomes), left, unchecked, why)


def _depends(move: Move, earlier: Move) -> bool:
    """Whether `move` needs what `earlier` is to bring about: its unit elsewhere, or its old address
    free."""
    return (
        move.target.address == earlier.source.address
        or move.source.address == earlier.target.address
    )

"""A box of identical units at one factory address, taken one by one to addresses of their own.

Connect one, it is seen, its next address is proposed, confirmed, written and verified; "next".
Nothing is written while two are there at once.  The factory address is left free at the end, for
the next box.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from threading import Event

from busprobe.errors import RefusedError, StoppedError
from busprobe.job.journal import Result, Row
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import LAST, both_forms
from busprobe.readdress.guards import Ways, check_target
from busprobe.readdress.isolation import (
    WATCH_WAITS,
    AddressLook,
    Occupancy,
    isolate,
    occupancy_of,
    watch,
)
from busprobe.readdress.journal import Journal
from busprobe.readdress.move import Prepared, execute, prepare, verify_again
from busprobe.readdress.outcome import Outcome, refusal
from busprobe.readdress.procedure import Move, Procedure
from busprobe.readdress.recovery import ask_again
from busprobe.readdress.write_sequence import Report
from busprobe.survey.close_look import examine


@dataclass(frozen=True)
class Target:
    """An address that waits for a unit, with what the plan of the bus says of the place."""

    address: int
    tag: str = ""
    location: str = ""


@dataclass(frozen=True)
class Known:
    """What is known of the unit that turned up."""

    procedure: Procedure
    words: str = ""
    """Type, serial number and what else identifies it, for screen and label."""


Identify = Callable[[Line, int], Known]
"""Tells what the unit at an address is and how it is readdressed; raises `RefusedError` if it is
none of the box."""


@dataclass(frozen=True)
class Waiting:
    """Connect the unit for `target` now."""

    target: Target
    factory: int
    """The address at which it is expected."""


@dataclass(frozen=True)
class Watched:
    """The factory address was looked at: nobody yet, one, or two at once."""

    look: AddressLook


@dataclass(frozen=True)
class Appeared:
    """One unit is there, alone."""

    target: Target
    known: Known


@dataclass(frozen=True)
class Taken:
    """A target that is not free; the loop goes on with the next."""

    target: Target
    error: RefusedError


@dataclass(frozen=True)
class BoxRefused:
    """Nothing was written; the loop waits until this unit is taken off, then offers the same target
    again."""

    target: Target
    why: str
    todo: str


@dataclass(frozen=True)
class PowerCycleNeeded:
    """The unit has to be switched off and on; the loop sees that by itself."""

    target: Target
    outcome: Outcome


@dataclass(frozen=True)
class Lost:
    """A unit answers nowhere since its write, in this loop or before; both its places are watched
    until it does."""

    target: Target
    outcome: Outcome


@dataclass(frozen=True)
class Found:
    """A unit that was lost answers again; what became of its move is known now."""

    target: Target
    outcome: Outcome


@dataclass(frozen=True)
class Moved:
    """The unit has its address."""

    target: Target
    outcome: Outcome
    label: str
    """Text for the label on the unit."""

    @property
    def undo(self) -> Move:
        """The move back to the factory address; it has to pass the same guards, with that address
        free."""
        return self.outcome.move.reversed()


@dataclass(frozen=True)
class TakenBack:
    """What became of the undo of the last move; the loop waits until that unit is taken off."""

    target: Target
    """The address that is free again and will be offered next, if the undo was verified."""
    outcome: Outcome


@dataclass(frozen=True)
class BoxFinished:
    """The loop is over."""

    done: tuple[Moved, ...]
    why: str
    unsettled: Outcome | None = None
    """The move that stopped the loop, if one did; or one that still waits for its power cycle."""


BoxEvent = (
    Waiting
    | Watched
    | Appeared
    | Taken
    | BoxRefused
    | PowerCycleNeeded
    | Lost
    | Found
    | Moved
    | TakenBack
    | BoxFinished
)
"""What the loop tells; the last one is always `BoxFinished`."""


def counting_up(first: int, *, keep_free: Collection[int]) -> Iterator[Target]:
    """Targets from `first` to 247 without those to be kept free (the factory address above all)."""
    return (Target(address) for address in range(first, LAST + 1) if address not in keep_free)


def label(target: Target, settings: LineSettings, known: Known) -> str:
    """Text for the label on a unit: place, address in both forms, line settings, type."""
    lines = (
        target.tag,
        target.location,
        f"Unit address {both_forms(target.address)}",
        str(settings),
        known.words,
    )
    return "\n".join(line for line in lines if line)


class OneByOne:
    """The loop; iterate over `run()`, cancel with the event handed in."""

    def __init__(
        self,
        line: Line,
        settings: LineSettings,
        factory: int,
        targets: Iterable[Target],
        *,
        identify: Identify,
        journal: Journal,
        confirm: Callable[[Prepared], bool],
        cancel: Event,
        undo: Event | None = None,
        report: Report = lambda _: None,
        ways: Ways = Ways(),  # noqa: B008 - frozen
        guard: Callable[[Move, Report], Prepared] | None = None,
        lost: Sequence[Outcome] = (),
    ) -> None:
        """Take units from address `factory` at `settings` to `targets` in turn, each asked in all
        `ways` whether it is free.

        While a unit is waited for, setting `undo` takes the last one back to the factory address.
        `guard` prepares a move, by `busprobe.readdress.move.prepare` if left out.  `lost` are
        earlier moves from there whose units nobody has seen since; they are waited for first.
        """
        self._line = line
        self._settings = settings
        self._factory = factory
        self._ways = ways
        self._guard = guard or (lambda move, report: prepare(line, move, report, ways))
        self._lost = lost
        self._targets = iter(targets)
        self._identify = identify
        self._journal = journal
        self._confirm = confirm
        self._cancel = cancel
        self._undo = undo or Event()
        self._report = report
        self._done: list[Moved] = []
        self._unsettled: Outcome | None = None

    def run(self) -> Iterator[BoxEvent]:
        """Go on until the targets are used up, a move is left unsettled, or the loop is cancelled.

        Raises `PortError` if the port fails; a write that was under way then is open on record.
        """
        self._line.apply(self._settings)
        why = "All addresses have been given."
        for lost in self._lost:
            yield from self._settle(lost)
            if self._unsettled is not None:
                why = "An earlier move is not settled; settle that before the next unit."
                if self._cancel.is_set():
                    why = "Stopped by you."
                yield BoxFinished((), why, self._unsettled)
                return
        while (target := next(self._targets, None)) is not None:
            yield from self._serve(target)
            if self._cancel.is_set():
                why = "Stopped by you."
                break
            if self._unsettled is not None:
                why = "The last move could not be verified; settle that before the next unit."
                break
        yield BoxFinished(tuple(self._done), why, self._unsettled)

    def _serve(self, target: Target) -> Iterator[BoxEvent]:
        """Find a unit for `target`; over when it has one, is not free, its move is unsettled, or on
        cancelling."""
        while not self._cancel.is_set():
            try:
                self._check_free(target.address)
            except RefusedError as error:
                yield Taken(target, error)
                return
            yield Waiting(target, self._factory)
            for look in isolate(self._line, self._factory, self._cancel):
                yield Watched(look)
                if self._undo.is_set():
                    break
            if self._cancel.is_set():
                return
            if self._undo.is_set():
                self._undo.clear()
                if self._done and (yield from self._take_back(self._done[-1])):
                    self._targets = chain((self._done.pop().target, target), self._targets)
                    return
                if self._unsettled is not None:
                    return
                continue
            outcome = yield from self._offer(target)
            if outcome is not None:
                settled = outcome.result is Result.VERIFIED and outcome.not_stored is None
                self._unsettled = None if settled else outcome
                return
            yield from self._until_another()

    def _check_free(self, address: int) -> None:
        if address == self._factory:
            raise RefusedError(
                f"{both_forms(address)} is the factory address of these units.",
                means="It has to stay free, or the next unit out of the box would collide.",
                todo="Give this place another address in the plan.",
            )
        check_target(self._line, Place(address, self._settings), self._ways)

    def _offer(self, target: Target) -> Generator[BoxEvent, None, Outcome | None]:
        """Take the unit that is there to `target`; None if nothing was written."""
        try:
            with self._line.stopped_by(self._cancel):
                known = self._identify(self._line, self._factory)
            yield Appeared(target, known)
            move = Move(
                Place(self._factory, self._settings),
                Place(target.address, self._settings),
                known.procedure,
            )
            with self._line.stopped_by(self._cancel):
                prepared = self._guard(move, self._report)
            outcome = execute(
                self._line, prepared, self._journal, self._confirm, self._report, self._cancel
            )
        except StoppedError:
            return None
        except RefusedError as error:
            yield BoxRefused(target, f"{error.what} {error.means}".strip(), error.todo)
            return None
        if outcome.result is Result.REFUSED:
            yield BoxRefused(target, outcome.why, outcome.todo)
            return None
        if outcome.row is Row.NEITHER:
            outcome = yield from self._until_found(target, outcome)
        if outcome.result is Result.WAITING:
            yield PowerCycleNeeded(target, outcome)
            outcome = yield from self._power_cycled(outcome)
        if outcome.result is Result.VERIFIED:
            moved = Moved(target, outcome, label(target, self._settings, known))
            self._done.append(moved)
            yield moved
        return outcome

    def _settle(self, lost: Outcome) -> Iterator[BoxEvent]:
        """Wait for the unit of an earlier move and see what became of it."""
        target = Target(lost.move.target.address)
        outcome = yield from self._until_found(target, lost)
        if outcome.result is Result.WAITING:
            yield PowerCycleNeeded(target, outcome)
            outcome = yield from self._power_cycled(outcome)
        settled = outcome.result is Result.VERIFIED and outcome.not_stored is None
        self._unsettled = None if settled else outcome

    def _until_found(self, target: Target, lost: Outcome) -> Generator[BoxEvent, None, Outcome]:
        """Watch both places until a unit answers at one of them, then tell what it did; as it was
        if the loop is cancelled."""
        yield Lost(target, lost)
        for look in watch(self._line, self._factory, self._cancel):
            yield Watched(look)
            if look.occupancy is Occupancy.NONE and not self._answers_at(target):
                continue
            outcome = ask_again(self._line, lost, self._journal)
            if outcome.row is Row.NEITHER:
                continue  # it was gone again
            yield Found(target, outcome)
            return outcome
        return lost

    def _answers_at(self, target: Target) -> bool:
        seen = examine(self._line, target.address, waits=WATCH_WAITS)
        return occupancy_of(seen) is not Occupancy.NONE

    def _take_back(self, last: Moved) -> Generator[BoxEvent, None, bool]:
        """Move the unit that was moved last back to the factory address; whether it is there."""
        try:
            with self._line.stopped_by(self._cancel):
                prepared = prepare(self._line, last.undo, self._report, self._ways)
            outcome = execute(
                self._line, prepared, self._journal, self._confirm, self._report, self._cancel
            )
        except StoppedError:
            return False
        except RefusedError as error:
            outcome = refusal(last.undo, error)
        if outcome.result is Result.WAITING:
            yield PowerCycleNeeded(last.target, outcome)
            outcome = yield from self._power_cycled(outcome)
        yield TakenBack(last.target, outcome)
        if outcome.result in (Result.NOT_VERIFIED, Result.WAITING):
            self._unsettled = outcome
        if outcome.result is not Result.VERIFIED:
            return False
        yield from self._until_another()
        return True

    def _power_cycled(self, outcome: Outcome) -> Generator[BoxEvent, None, Outcome]:
        """Watch both addresses until the unit has come back from a power cycle, then tell what it
        did."""
        gone = False
        for look in watch(self._line, self._factory, self._cancel):
            yield Watched(look)
            gone = gone or look.occupancy is Occupancy.NONE
            arrived = self._answers_at(Target(outcome.move.target.address))
            if arrived or (gone and look.occupancy is not Occupancy.NONE):
                return verify_again(self._line, outcome, journal=self._journal, report=self._report)
        return outcome

    def _until_another(self) -> Iterator[BoxEvent]:
        """Watch until the unit that was not moved is not there alone any more."""
        for look in watch(self._line, self._factory, self._cancel):
            yield Watched(look)
            if look.occupancy is not Occupancy.ONE:
                return

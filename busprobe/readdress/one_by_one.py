"""A box of identical units at one factory address, taken one by one to addresses of their own.

Connect one, it is seen, its next address is proposed, confirmed, written and verified; "next".
Nothing is written while two are there at once.  The factory address is left free at the end, for
the next box.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from threading import Event

from busprobe.errors import RefusedError, StoppedError
from busprobe.job.journal import Result, Row, WriteIntent
from busprobe.line.line import Line
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import LAST, both_forms
from busprobe.readdress.box_progress import BoxPace, Phase, Working
from busprobe.readdress.guards import FreePlace, Ways, check_free
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
from busprobe.survey.close_look import examine

FRESH = 60.0
"""Seconds for which a place that was found free counts as such while a unit is waited for: it is
asked in full once more after that."""


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


Guard = Callable[[Move, FreePlace | None], Prepared]
"""Prepares a move, of which the new place may have been found free already."""

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
    """A unit answers nowhere since its write, in this loop or before.  It is waited for until it
    answers at its new address, with none at the factory address that could be another."""

    target: Target
    outcome: Outcome


@dataclass(frozen=True)
class FoundAgain:
    """A unit that was lost answers again; what its write did is known now."""

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
    | FoundAgain
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
        ways: Ways = Ways(),  # noqa: B008 - frozen
        guard: Guard | None = None,
        lost: Sequence[Outcome] = (),
        count: int | None = None,
        working: Callable[[Working | None], None] = lambda _: None,
    ) -> None:
        """Take units from address `factory` at `settings` to `targets` in turn, each asked in all
        `ways` whether it is free.

        While a unit is waited for, setting `undo` takes the last one back to the factory address.
        `guard` prepares a move, by `busprobe.readdress.move.prepare` if left out.  `lost` are
        earlier moves from there whose units nobody has seen since; they are waited for first.
        `working` is told of each phase as it
        begins, and None where hands or an answer are waited for; `count` units are in the box.
        """
        self._line = line
        self._settings = settings
        self._factory = factory
        self._ways = ways
        self._targets = iter(targets)
        self._identify = identify
        self._journal = _TellingJournal(journal, lambda: self._enter(Phase.WRITE))
        self._confirm = confirm
        self._cancel = cancel
        self._undo = undo or Event()
        self._guard = guard or (lambda move, free: prepare(line, move, ways=ways, free=free))
        self._lost = lost
        self._working = working
        self._pace = BoxPace(line.clock, count)
        self._address = factory
        """The new address of the unit that is worked on."""
        self._done: list[Moved] = []
        self._unsettled: Outcome | None = None

    def run(self) -> Iterator[BoxEvent]:
        """Go on until the targets are used up, a move is left unsettled, or the loop is cancelled.

        Raises `PortError` if the port fails; a write that was under way then is open on record.
        """
        self._line.apply(self._settings)
        why = "All addresses have been given."
        for lost in self._lost:
            outcome = yield from self._found_again(Target(lost.move.target.address), lost)
            self._unsettled = None if _is_settled(outcome) else outcome
            if self._unsettled is not None:
                stopped = "Stopped by you.  " if self._cancel.is_set() else ""
                why = f"{stopped}An earlier move is not settled; settle that before the next unit."
                yield BoxFinished((), why, self._unsettled)
                return
        while (target := next(self._targets, None)) is not None:
            yield from self._serve(target)
            if self._cancel.is_set():
                why = "Stopped by you."
                break
            if self._unsettled is not None:
                why = (
                    "The last move could not be verified; settle that before the next unit."
                    if self._unsettled.not_stored is None
                    else "The last move is not in the journal; settle that before the next unit."
                )
                break
        yield BoxFinished(tuple(self._done), why, self._unsettled)

    def _enter(self, phase: Phase) -> None:
        self._working(self._pace.begin(phase, self._address, len(self._done)))

    def _leave(self) -> None:
        """The phase is over, and a person is waited for."""
        self._pace.end()
        self._working(None)

    def _serve(self, target: Target) -> Iterator[BoxEvent]:
        """Find a unit for `target`; over when it has one, is not free, its move is unsettled, or on
        cancelling."""
        while not self._cancel.is_set():
            if target.address == self._factory:
                yield Taken(target, _factory_address(target.address))
                return
            yield Waiting(target, self._factory)
            try:
                free = yield from self._until_one_is_there(target.address)
            except RefusedError as error:
                self._pace.drop()
                yield Taken(target, error)
                return
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
            outcome = yield from self._offer(target, free)
            if outcome is not None:
                self._unsettled = None if _is_settled(outcome) else outcome
                return
            self._pace.drop()
            yield from self._until_another()

    def _until_one_is_there(self, address: int) -> Generator[BoxEvent, None, FreePlace | None]:
        """Ask in full whether `address` is free while hands connect the next unit, then watch until
        it is there alone; None once undoing or cancelling is wanted.

        Raises `RefusedError` if it is not free.  What was found longer than `FRESH` ago is asked
        again, for as long as no unit waits for it.
        """
        free, asked = None, -math.inf
        while free is None or self._line.clock.now() - asked > FRESH:
            if self._undo.is_set():
                return None
            self._address = address
            self._enter(Phase.FREE)
            try:
                with self._line.stopped_by(self._cancel):
                    free = check_free(
                        self._line, self._place(self._factory), self._place(address), self._ways
                    )
            except StoppedError:
                return None
            self._leave()
            asked = self._line.clock.now()
            for look in isolate(self._line, self._factory, self._cancel):
                yield Watched(look)
                stale = self._line.clock.now() - asked > FRESH
                if self._undo.is_set() or (stale and look.occupancy is Occupancy.NONE):
                    break
            if self._undo.is_set() or self._cancel.is_set():
                return None
        return free

    def _offer(
        self, target: Target, free: FreePlace | None
    ) -> Generator[BoxEvent, None, Outcome | None]:
        """Take the unit that is there to `target`; None if nothing was written."""
        try:
            self._enter(Phase.IDENTIFY)
            with self._line.stopped_by(self._cancel):
                known = self._identify(self._line, self._factory)
            yield Appeared(target, known)
            source, place = self._place(self._factory), self._place(target.address)
            outcome = self._carried_out(Move(source, place, known.procedure), free)
        except StoppedError:
            return None
        except RefusedError as error:
            yield BoxRefused(target, f"{error.what} {error.means}".strip(), error.todo)
            return None
        if outcome.result is Result.REFUSED:
            yield BoxRefused(target, outcome.why, outcome.todo)
            return None
        self._leave()
        if outcome.result is Result.WAITING:
            yield PowerCycleNeeded(target, outcome)
            outcome = yield from self._power_cycled(outcome)
        elif outcome.row is Row.NEITHER and outcome.not_stored is None:
            outcome = yield from self._found_again(target, outcome)
        if outcome.result is Result.VERIFIED:
            moved = Moved(target, outcome, label(target, self._settings, known))
            self._done.append(moved)
            yield moved
        return outcome

    def _carried_out(self, move: Move, free: FreePlace | None) -> Outcome:
        """Guard a move, ask, and make it; raises `StoppedError` and `RefusedError` before anything
        is written."""

        def confirmed(prepared: Prepared) -> bool:
            self._leave()
            sure = self._confirm(prepared)
            if sure:
                self._enter(Phase.AGAIN)
            return sure

        self._enter(Phase.GUARDS)
        with self._line.stopped_by(self._cancel):
            prepared = self._guard(move, free)
        return execute(self._line, prepared, self._journal, confirmed, stop=self._cancel)

    def _take_back(self, last: Moved) -> Generator[BoxEvent, None, bool]:
        """Move the unit that was moved last back to the factory address; whether it is there."""
        self._address = self._factory
        try:
            outcome = self._carried_out(last.undo, None)
        except StoppedError:
            return False
        except RefusedError as error:
            outcome = refusal(last.undo, error)
        self._pace.drop()  # it took other looks than the next unit will
        if outcome.result is Result.WAITING:
            yield PowerCycleNeeded(last.target, outcome)
            outcome = yield from self._power_cycled(outcome)
        yield TakenBack(last.target, outcome)
        if outcome.result in (Result.NOT_VERIFIED, Result.WAITING) or outcome.not_stored:
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
            arrived = self._answers(outcome.move.target)
            if arrived or (gone and look.occupancy is not Occupancy.NONE):
                return verify_again(self._line, outcome, journal=self._journal)
        return outcome

    def _found_again(self, target: Target, lost: Outcome) -> Generator[BoxEvent, None, Outcome]:
        """Watch both addresses until the unit answers at its new one, then tell what its write did;
        as it was if the loop is cancelled.

        A unit at the factory address may be the next of the box: it is no evidence that this one
        has not moved.
        """
        yield Lost(target, lost)
        for look in watch(self._line, self._factory, self._cancel):
            yield Watched(look)
            if look.occupancy is Occupancy.NONE and self._answers(lost.move.target):
                outcome = ask_again(self._line, lost, self._journal)
                if outcome.row is not Row.NEITHER:  # it was gone again
                    yield FoundAgain(target, outcome)
                    return outcome
        return lost

    def _answers(self, place: Place) -> bool:
        """Whether anything is heard from a place."""
        seen = examine(self._line, place.address, waits=WATCH_WAITS)
        return occupancy_of(seen) is not Occupancy.NONE

    def _until_another(self) -> Iterator[BoxEvent]:
        """Watch until the unit that was not moved is not there alone any more."""
        for look in watch(self._line, self._factory, self._cancel):
            yield Watched(look)
            if look.occupancy is not Occupancy.ONE:
                return

    def _place(self, address: int) -> Place:
        return Place(address, self._settings)


class _TellingJournal:
    """A journal that tells when a write is about to be sent."""

    def __init__(self, journal: Journal, begins: Callable[[], None]) -> None:
        self._journal = journal
        self._begins = begins
        self.conclude_write = journal.conclude_write
        self.conclude_move = journal.conclude_move

    def intend_write(self, intent: WriteIntent, /) -> int:
        """Note the write, and tell of it."""
        if intent.move is None:  # the first frame of a procedure
            self._begins()
        return self._journal.intend_write(intent)


def _factory_address(address: int) -> RefusedError:
    return RefusedError(
        f"{both_forms(address)} is the factory address of these units.",
        means="It has to stay free, or the next unit out of the box would collide.",
        todo="Give this place another address in the plan.",
    )


def _is_settled(outcome: Outcome) -> bool:
    return outcome.result is Result.VERIFIED and outcome.not_stored is None

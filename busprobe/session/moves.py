"""Moves of a session: one unit, a box of them or the whole bus; guarded, kept in journal and list,
undone, finished.

Wizard, commands and the unattended demo all go through here, so that what is on disk is the same
whoever did it. Methods that use the line block; at most one of them may run at a time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice
from threading import Event as StopFlag

from busprobe.errors import FileError, RefusedError, UsageError
from busprobe.files.documents import to_document
from busprobe.job.journal import Result, Role, Row, WriteRecord
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import LAST, both_forms
from busprobe.profiles.schema import Profile
from busprobe.readdress import batch, recovery
from busprobe.readdress import move as moving
from busprobe.readdress import one_by_one as box
from busprobe.readdress import unfinished_steps as unfinished
from busprobe.readdress.box_progress import Working
from busprobe.readdress.box_units import Likeness
from busprobe.readdress.claims import awaited, check_claims, check_same_unit, claims, taken_by
from busprobe.readdress.guards import FreePlace, Ways, check_move, doubts_of_return
from busprobe.readdress.journal import (
    concluded,
    recorded_outcome,
    to_be_looked_into,
    unproven_moves,
)
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import Goal, ListedBus, MoveList, Practice
from busprobe.readdress.outcome import Outcome
from busprobe.readdress.procedure import Move, Procedure, factory_place
from busprobe.readdress.undo import move_to_undo, reverse
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.readdress.words import ROW_WORDS
from busprobe.readdress.write_sequence import Report
from busprobe.session.move_journal import MoveJournal
from busprobe.session.own_address import by_own_address
from busprobe.session.session import Session
from busprobe.survey.identify import Identified
from busprobe.survey.probes import Probe, probes_of

RECORD = "moves of the bus"
"""The name under which a batch is kept in the job."""

_OWN = 2
"""Registers of its profile with which a unit is asked after a power cycle."""

Confirm = Callable[[Prepared], bool]
"""Shows everything that will be sent, and says whether it may be."""


def _silent(_: str) -> None:
    """Nobody is told what is being done."""


@dataclass(frozen=True)
class BoxOrder:
    """Where the units of a box are found and which addresses they get."""

    settings: LineSettings
    factory: int
    """The address that all of them have."""
    first: int
    """Where counting starts, if no plan of the bus says where they belong."""
    count: int | None = None
    """Units in the box; None if nobody said."""
    by_hand: Procedure | None = None
    """How they are readdressed, where no profile knows it."""


class BusMoves:
    """What is done to the addresses and line settings of the units of a session."""

    def __init__(self, session: Session) -> None:
        """Work on the job of `session`, write through its line."""
        self._session = session
        self._job = session.job
        self._journal = MoveJournal(session.job)

    # -- one unit
    # ----------------------------------------------------------------------------------------

    def prepare_move(
        self,
        source: Place,
        address: int,
        procedure: Procedure | None = None,
        report: Report = _silent,
        stop: StopFlag | None = None,
        *,
        overwrites: int | None = None,
    ) -> Prepared:
        """Guard the move of the unit at `source` to another address and put its frames together.

        Raises `RefusedError`, or `UsageError` without a procedure.

        Without a `procedure`, the profile of the unit on the as-built list says how it is done.
        `overwrites` is what its register may hold instead of the unit's address, as somebody said
        who knows.
        """
        if procedure is None:
            profile = self._session.profile_of(source)
            if profile is None or profile.readdress is None:
                raise UsageError(
                    f"It is not known how the unit at address {source.address} takes a new"
                    " address.",
                    todo=(
                        "Identify it first, name a profile, or give the register from its data"
                        " sheet by hand."
                    ),
                )
            procedure = Procedure.from_profile(profile)
        procedure = replace(procedure, overwrites=overwrites)
        target = Place(address, source.settings)
        return self.prepare(Move(source, target, procedure), report, stop)

    def prepare(
        self,
        move: Move,
        report: Report = _silent,
        stop: StopFlag | None = None,
        free: FreePlace | None = None,
    ) -> Prepared:
        """Guard a move and put its frames together; raises `RefusedError`, and `StoppedError` once
        `stop` is set.

        An address that the list has given to another unit, at whatever line settings, or an earlier
        move has promised to one, is refused before anything is asked on the wire.  A unit that is
        named by a service address is moved from its own, and the list has it there by then.  A new
        place that was found `free` a moment ago is not asked in full once more.
        """
        check_move(move)
        if move.source.address > LAST:
            with self._session.line.stopped_by(stop):
                move = by_own_address(self._session, move, report)
            check_move(move)
        listed = [unit.place for unit in self._job.units() if unit.address == move.target.address]
        taken = next((place for place in listed if place != move.source), None)
        if taken is not None:
            raise RefusedError(
                f"The bus list has a unit at address {both_forms(taken.address)},"
                f" {taken.settings}.",
                means=(
                    "It may only be switched off now, and would clash when it comes back, or as"
                    " soon as both have the same line settings."
                ),
                todo=(
                    "Choose another address, or take that entry off the list if the unit is gone"
                    " for good."
                ),
            )
        writes = self._job.writes()
        claimed = claims(writes)
        check_claims(claimed, move)
        line = self._session.line
        with line.stopped_by(stop):
            before = awaited(writes, move)
            prepared = moving.prepare(line, move, report, self._ways, awaited=before, free=free)
        check_same_unit(claimed, move, prepared.held)
        kept = (unit.place for unit in self._job.units() if unit.power_cycle_verified)
        return replace(prepared, doubts=(*prepared.doubts, *doubts_of_return(writes, kept, move)))

    @property
    def _ways(self) -> Ways:
        """How a place is asked here: by the profiles of the units listed and planned before all
        others, at all line settings listed and planned."""
        units, plan = self._job.units(), self._session.plan
        known = (*(unit.settings for unit in units), *(p.settings for p in plan))
        return Ways.of(self._session.likely_profiles, filter(None, known))

    def move(
        self,
        prepared: Prepared,
        confirm: Confirm,
        report: Report = _silent,
        stop: StopFlag | None = None,
    ) -> Outcome:
        """Carry a move out once `confirm` says so; the journal and the as-built list are kept.

        Raises `StoppedError` if `stop` is set before anything was written.
        """
        line = self._session.line
        return moving.execute(line, prepared, self._journal, confirm, report, stop)

    def store(self, outcome: Outcome) -> Outcome:
        """Try once more to put an outcome on record that the journal could not take."""
        missing = outcome.not_stored
        return outcome if missing is None else concluded(self._journal, outcome, missing.writes)

    def verify_again(self, outcome: Outcome, report: Report = _silent) -> Outcome:
        """Tell after a power cycle whether a move has taken effect and was kept."""
        verified = outcome.result is Result.VERIFIED
        return moving.verify_again(
            self._session.line,
            self._in_full(outcome),
            old_taken=verified and self._job.unit(outcome.move.source) is not None,
            journal=self._journal,
            report=report,
            further=self._own_probes(outcome.move),
        )

    def _in_full(self, sent: Outcome) -> Outcome:
        """What one write of the journal says of its move, with what writes before it left in the
        register, and what the profile says of the moment at which it takes effect and of the place
        to which a unit falls back that loses its settings."""
        move = sent.move
        sent = replace(sent, awaited=awaited(self._job.writes(), move, sent.write))
        places = (move.target, move.source)
        known = next(filter(None, (self._session.profile_of(p) for p in places)), None)
        if known is None or move.procedure.profile is not None:
            return sent
        how = known.line_settings if move.changes_settings else known.readdress
        effect = None if how is None else how.stated_effect
        procedure = replace(move.procedure, effect=effect, factory=factory_place(known))
        return replace(sent, move=replace(move, procedure=procedure))

    def _own_probes(self, move: Move) -> tuple[Probe, ...]:
        """What the unit of a move answers by its profile, even if none of the usual probes."""
        profile = self._session.profile_of(move.target) or self._session.profile_of(move.source)
        return () if profile is None else probes_of([profile], _OWN)

    def unproven(self) -> tuple[Outcome, ...]:
        """Moves that took effect, or wait to, and that no power cycle has proven yet; for
        `verify_again`."""
        return unproven_moves(self._job.units(), self._job.writes())

    def prepare_undo(
        self,
        number: int,
        profile: Profile | None = None,
        report: Report = _silent,
        stop: StopFlag | None = None,
    ) -> Prepared:
        """Guard the reverse of a move in the journal; raises `UsageError` or `RefusedError` where
        it cannot be undone.

        Without a `profile`, that of the unit on the as-built list says how it is done, or else the
        write itself.
        """
        write, made = move_to_undo(self._job.writes(), number)
        there = made.target
        known = profile or self._session.profile_of(there)
        return self.prepare(reverse(write, made, known), report, stop)

    # -- a box of units
    # ----------------------------------------------------------------------------------

    def one_by_one(
        self,
        order: BoxOrder,
        *,
        confirm: Confirm,
        cancel: StopFlag,
        undo: StopFlag | None = None,
        working: Callable[[Working | None], None] = lambda _: None,
    ) -> Iterator[box.BoxEvent]:
        """Take a box of identical units from their factory address to the planned addresses, or
        counting up; journal and as-built list are kept.

        Setting `undo` takes the last unit back to the factory address; `working` is told of each
        phase.  Units of earlier moves from there that nobody has seen since are waited for first.
        """
        place, found = Place(order.factory, order.settings), claims(self._job.writes())
        taken = {unit.address for unit in self._job.units()} | {
            claim.place.address
            for claim in found
            if taken_by([claim], place, claim.place) is not None
        }
        planned = [
            box.Target(unit.address, unit.tag, unit.location)
            for unit in self._session.plan
            if unit.address not in taken
        ]
        counted = box.counting_up(order.first, keep_free={order.factory, *taken})
        targets = [*islice(planned or counted, order.count)]
        alike = _BoxType(order.by_hand)
        loop = box.OneByOne(
            self._session.line,
            order.settings,
            order.factory,
            targets,
            identify=lambda _, address: alike.known(
                self._session.identify(Place(address, order.settings))
            ),
            journal=self._journal,
            confirm=confirm,
            cancel=cancel,
            undo=undo,
            ways=self._ways,
            guard=lambda move, free: self.prepare(move, stop=cancel, free=free),
            lost=[
                self._in_full(recorded_outcome(write))
                for write in self.unsettled()
                if write.source == place
            ],
            count=len(targets) if planned or order.count else None,
            working=working,
        )
        return loop.run()

    # -- the whole bus
    # -----------------------------------------------------------------------------------

    @property
    def bus(self) -> ListedBus:
        """The as-built list as it is now."""
        return ListedBus(
            self._job.units(), self._session.store.profiles, claims(self._job.writes())
        )

    def plan_addresses(
        self, *, practice: Practice | None = None, wishes: Mapping[int, int] | None = None
    ) -> MoveList:
        """Moves to the addresses of the plan kept with the job or, with `practice`, to those by
        good practice.

        `wishes`, present address to wanted one, come on top of either, or stand alone.  Raises
        `UsageError` where nothing says where units should be, and `RefusedError` or `UsageError`
        where there is no safe way.
        """
        bus, plan = self.bus, self._session.plan
        if practice is not None:
            goal = bus.counted_up(practice)
        elif plan:
            goal = bus.from_plan(plan, bus.chosen(wishes or {}))
        elif wishes:
            goal = Goal({})
        else:
            raise UsageError(
                "Nothing says where the units should be: the job has no plan of the bus.",
                todo="Give one, or say from which address to count up along the cable.",
            )
        return bus.addresses(bus.changed(goal, wishes or {}))

    def plan_line_settings(self, goal: LineSettings) -> MoveList:
        """Changes that bring all units to `goal`; raises `RefusedError` while two of them share an
        address."""
        return self.bus.line_settings(goal)

    def carry_out(
        self,
        moves: tuple[Move, ...],
        *,
        confirm: Confirm,
        power_cycle: batch.PowerCycle,
        report: Report = _silent,
        stop: StopFlag | None = None,
    ) -> Iterator[batch.BatchEvent]:
        """Make the moves, each once `confirm` says so; journal and as-built list are kept, and the
        end of the batch.

        `power_cycle` is asked once for all, and before a move that depends on it; once `stop` is
        set, nothing more is written or asked.  If the port or the journal fails, the last event
        tells it; the write that was under way then is open on record.
        """
        run = batch.Batch(
            self._session.line,
            moves,
            self._journal,
            confirm=confirm,
            power_cycle=power_cycle,
            guard=self.prepare,
            report=report,
            stop=stop,
        )
        for event in run.run():
            if isinstance(event, batch.BatchFinished):
                try:
                    self._job.record(RECORD, to_document(event.published))
                except FileError as error:
                    event = replace(event, failure=event.failure or error)
            yield event

    # -- what was cut off
    # --------------------------------------------------------------------------------

    def unfinished(self) -> tuple[WriteRecord, ...]:
        """Writes under way when the program or the port last failed, and those whose unit the list
        has elsewhere than the journal; they are to be looked into first."""
        return to_be_looked_into(self._job.units(), self._job.writes())

    def unsettled(self) -> tuple[WriteRecord, ...]:
        """Writes of which nobody has seen where they left the unit; asking again may tell."""
        return tuple(
            claim.write
            for claim in claims(self._job.writes())
            if claim.unsettled and claim.write.outcome is not None
        )

    def recover(self, report: Report = _silent, *, unsettled: bool = False) -> tuple[Outcome, ...]:
        """Ask both addresses of every unfinished move and keep what is true; one outcome a move.

        With `unsettled`, also of those whose unit was not found when it was last asked for.

        What is left of their procedures is told by `unfinished_steps` afterwards.
        """
        return self._recovered(
            (*self.unfinished(), *(self.unsettled() if unsettled else ())), report
        )

    def _recovered(self, writes: Iterable[WriteRecord], report: Report) -> tuple[Outcome, ...]:
        line, journal = self._session.line, self._journal
        return recovery.recover(line, writes, journal, report, self._in_full, self._own_probes)

    def unfinished_steps(self) -> tuple[UnfinishedSteps, ...]:
        """What is left of procedures whose later steps were never sent, or never acknowledged."""
        return unfinished.unfinished_steps(self._job.writes(), self._job.now())

    def power_cycled(self, left: UnfinishedSteps) -> None:
        """Note that a unit which nothing locks again was switched off and on, as somebody says."""
        done = (write for write in self._job.writes() if write.move == left.write)
        for write in done:
            if write.role is Role.UNLOCK:
                self._job.conclude_write(
                    write.id,
                    Result.ACKNOWLEDGED,
                    row=Row.POWER_CYCLED,
                    reply=None,
                    why=ROW_WORDS[Row.POWER_CYCLED],
                )

    def finish(
        self,
        left: UnfinishedSteps,
        confirm: Confirm,
        report: Report = _silent,
        stop: StopFlag | None = None,
    ) -> Outcome:
        """Send what is left of a procedure once `confirm` says so.

        A save may take the unit to its new place: then the move itself is told anew.  Raises
        `RefusedError` where that is not safe, `StoppedError` if `stop` is set before anything was
        written.
        """
        line = self._session.line
        with line.stopped_by(stop):
            prepared = unfinished.prepare_rest(line, left, report, self._own_probes(left.move))
        outcome = self.move(prepared, confirm, report, stop)
        if left.completing and outcome.of_unfinished_steps:
            writes = self._job.writes()
            self._recovered((w for w in writes if w.move == left.write and w.role.moves), report)
        return outcome


class _BoxType:
    """What the units of one box are: their profile, or the first of them and a register by hand."""

    def __init__(self, by_hand: Procedure | None) -> None:
        self._by_hand = by_hand
        self._first: Likeness | None = None

    def known(self, found: Identified) -> box.Known:
        """The unit that has appeared; raises `RefusedError` where it is none of the box."""
        profile = found.profile
        serial = found.identity.get("serial") or ""
        if profile is not None and profile.readdress is not None:
            return box.Known(
                Procedure.from_profile(profile),
                " ".join(filter(None, (profile.maker, profile.model, serial))),
            )
        if self._by_hand is None:
            raise RefusedError(
                f"The unit at address {found.place.address} is not recognised, or its profile does"
                " not say how it takes a new address.",
                means="It is not known how it takes a new address.",
                todo="Put it aside, or begin the box again with the register of its data sheet.",
            )
        this = Likeness.of(found)
        self._first = self._first or this
        unlike = ", ".join(self._first.differences(this))
        if unlike:
            raise RefusedError(
                f"This unit is not like the first one of the box: {unlike}.",
                means="The register that was given for the box may be another setting in it.",
                todo="Put it aside and move it alone, by its own data sheet.",
            )
        said = (found.identity.get("vendor"), found.identity.get("product"), serial)
        return box.Known(self._by_hand, " ".join(filter(None, said)))

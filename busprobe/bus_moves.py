"""Moves of a whole bus in a session: planned, carried out one by one, undone; everything kept in the job."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from busprobe.bus_plan import Bus, BusPlan, Goal
from busprobe.errors import RefusedError, UsageError
from busprobe.job.records import WriteRecord
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.modbus.requests import Function
from busprobe.profiles.schema import Profile
from busprobe.readdress import batch
from busprobe.readdress.line_settings import change_of_settings
from busprobe.readdress.move import Move, Prepared, Procedure, Result
from busprobe.readdress.recovery import move_on_record
from busprobe.readdress.steps import MAIN
from busprobe.session import Session

RECORD = "moves of the bus"
"""The name under which a batch is kept in the job."""


class BusMoves:
    """What is done to the addresses and line settings of a whole bus."""

    def __init__(self, session: Session) -> None:
        """Plan from the job of `session`, write through its line."""
        self._session = session

    @property
    def bus(self) -> Bus:
        """The as-built list as it is now."""
        return Bus(self._session.job.units(), self._session.store.profiles)

    def plan_addresses(
        self, *, first: int | None = None, spares: int = 0, wishes: Mapping[int, int] | None = None
    ) -> BusPlan:
        """Moves to the addresses of the plan kept with the job or, with `first`, counted up along the cable.

        `wishes`, present address to wanted one, come on top of either, or stand alone.  Raises `UsageError` where
        nothing says where units should be, and `RefusedError` or `UsageError` where there is no safe way.
        """
        bus, plan = self.bus, self._session.plan
        if first is not None:
            goal = bus.counted_up(first, spares)
        elif plan:
            goal = bus.from_plan(plan)
        elif wishes:
            goal = Goal({})
        else:
            raise UsageError(
                "Nothing says where the units should be: the job has no plan of the bus.",
                todo="Give one, or say from which address to count up along the cable.",
            )
        return bus.addresses(bus.changed(goal, wishes or {}))

    def plan_line_settings(self, goal: LineSettings) -> BusPlan:
        """Changes that bring all units to `goal`; raises `RefusedError` while two of them share an address."""
        return self.bus.line_settings(goal)

    def carry_out(
        self,
        moves: tuple[Move, ...],
        *,
        confirm: Callable[[Prepared], bool],
        power_cycle: batch.PowerCycle,
        report: Callable[[str], None] = lambda _: None,
    ) -> Iterator[batch.Step]:
        """Make the moves, each once `confirm` says so; journal and as-built list are kept, and the end of the batch.

        `power_cycle` is asked once for all, and before a move that depends on it.  Raises `PortError` if the port
        fails; the write that was under way then is open on record.
        """
        session = self._session
        run = batch.Batch(
            session.line,
            moves,
            session.job,
            confirm=confirm,
            power_cycle=power_cycle,
            guard=session.prepare,
            report=report,
        )
        for step in run.run():
            match step:
                case batch.Ended(outcome) | batch.Checked(outcome):
                    session.keep_move(outcome)
                case batch.Finished():
                    session.job.record(RECORD, document(step))
            yield step

    def prepare_undo(
        self, number: int, profile: Profile | None = None, report: Callable[[str], None] = lambda _: None
    ) -> Prepared:
        """Guard the reverse of a move in the journal; raises `UsageError` or `RefusedError` where it cannot be undone.

        Without a `profile`, that of the unit on the as-built list says how it is done, or else the write itself.
        """
        writes = self._session.job.writes()
        write = next((write for write in writes if write.id == number), None)
        if write is None:
            raise UsageError(f"The journal has no write {number}.", todo="'busprobe journal' lists them all.")
        if not write.kind.startswith(MAIN):
            raise UsageError(
                f"Write {number} is the step '{write.kind}' of a move and not the move itself.",
                todo="Undo the write of the address or line setting that it belongs to.",
            )
        _check_undone(write, writes)
        move = move_on_record(write)
        known = profile or self._session.profile_of(move.new, move.target.settings)
        return self._session.prepare(_reverse(write, move, known), report)


def document(finished: batch.Finished) -> dict[str, object]:
    """The end of a batch as JSON can say it."""
    if finished.unchecked:
        power_cycle = "not done"
    else:
        power_cycle = "done" if any(outcome.power_cycled for outcome in finished.outcomes) else "not needed"
    return {
        "outcomes": [outcome.document() for outcome in finished.outcomes],
        "left": [
            {"from": move.old, "to": move.new, "settings": str(move.settings), "to_settings": str(move.target.settings)}
            for move in finished.left
        ],
        "power_cycle": power_cycle,
        "why": finished.why,
    }


def _check_undone(write: WriteRecord, writes: tuple[WriteRecord, ...]) -> None:
    """Refuse to undo what has not happened, is not settled, or was built upon since."""
    if write.outcome != Result.VERIFIED:
        raise RefusedError(
            f"Write {write.id} ended '{write.outcome or 'not known'}', so there is nothing sure to be undone.",
            todo="Survey both its places; then move the unit from where it is.",
        )
    place, last = move_on_record(write).target, write.id
    for later in writes:
        if later.id > write.id and later.kind.startswith(MAIN) and later.outcome == Result.VERIFIED:
            move = move_on_record(later)
            if move.source == place:
                place, last = move.target, later.id
    if place != move_on_record(write).target:
        raise RefusedError(
            f"The unit of write {write.id} was moved on by write {last}; it is at {place.words} now.",
            means="Who answers where it was then is another unit.",
            todo=f"Undo write {last} first.",
        )


def _reverse(write: WriteRecord, move: Move, profile: Profile | None) -> Move:
    """The move back, by the profile or, where the register holds nothing but the address, by what was written."""
    back = move.reversed()
    if move.new_settings is not None:
        if profile is None:
            raise RefusedError(
                f"It is not known which code stands for {move.settings} in the unit at {both_forms(move.new)}.",
                todo="Identify the unit, or name its profile.",
            )
        return change_of_settings(profile, move.target, move.settings)
    if profile is not None:
        return replace(back, procedure=Procedure.from_profile(profile))
    value = write.request[4:6] if write.request[1] == Function.WRITE_SINGLE_REGISTER else write.request[7:9]
    if int.from_bytes(value, "big") != move.new:
        raise RefusedError(
            f"Write {write.id} wrote 0x{value.hex().upper()}: the register holds more than the unit address.",
            means="Writing the old address alone would change the rest of it.",
            todo="Identify the unit, or name its profile.",
        )
    return back

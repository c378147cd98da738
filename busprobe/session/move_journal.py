"""The journal of a job with its as-built list: what is written to a unit, what became of it, and
where the unit is, change together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.job.job import Job
from busprobe.job.journal import Result, Role, Row, WriteIntent
from busprobe.job.records import UnitRecord
from busprobe.line.place import Place
from busprobe.readdress.journal import latest_move, left_behind, recorded_moves
from busprobe.readdress.outcome import Outcome


class MoveJournal:
    """A `busprobe.readdress.journal.Journal` that keeps the list up to date with every move."""

    def __init__(self, job: Job) -> None:
        self.conclude_write = job.conclude_write
        self._job = job

    def intend_write(self, intent: WriteIntent, /) -> int:
        """Note a write that is about to be sent; the unit that gets it is on the list from then
        on, where the guards have just heard it."""
        with self._job.together():
            number = self._job.intend_write(intent)
            if self._job.unit(intent.source) is None and self._job.unit(intent.target) is None:
                now, by = self._job.now(), self._job.meta.tester
                self._job.put_unit(UnitRecord(intent.source, seen=now, seen_by=by))
        return number

    def conclude_move(self, outcome: Outcome, writes: Sequence[int], /) -> None:
        """Conclude these writes of a move and bring the list up to date, in one transaction."""
        with self._job.together():
            was_there, followed = self._before(outcome)
            for write in writes:
                self._job.conclude_write(
                    write,
                    outcome.result,
                    row=outcome.row,
                    reply=outcome.reply,
                    why=outcome.recorded_why,
                    holds=outcome.holds,
                )
            if outcome.moved:
                self._list_moved(outcome, followed)
            elif was_there:
                self._list_lost(outcome)

    def _before(self, outcome: Outcome) -> tuple[bool, bool]:
        """Whether the unit was seen at its new place earlier, and whether the list has followed it
        there."""
        move = outcome.move
        if outcome.write is None:
            listed = self._job.unit(move.target) is not None
            return listed, listed
        (write,) = (write for write in self._job.writes() if write.id == outcome.write)
        was_there = any(said.outcome is Result.VERIFIED for said in write.conclusions)
        return was_there, was_there and not left_behind(self._job.unit(move.source), write)

    def _list_moved(self, outcome: Outcome, followed: bool) -> None:
        target = outcome.move.target
        unit = self._job.unit(target)
        if not followed:
            unit = self._moved(outcome, unit)
        elif unit is None:
            # It was taken off the list; who is listed at its old place is another unit.
            unit = UnitRecord(target, as_found=self._found_at(outcome))
        unit = unit.seen_now(self._job.now(), self._job.meta.tester)
        if outcome.power_cycled:
            unit = replace(unit, power_cycle_verified=True)
        self._job.put_unit(unit)

    def _moved(self, outcome: Outcome, found: UnitRecord | None) -> UnitRecord:
        """The entry of the unit at its new place; it was `found` there already where somebody
        surveyed before this outcome was known."""
        move, how = outcome.move, outcome.move.procedure
        listed = self._job.unit(move.source)
        if found is not None and (listed is None or not listed.single):
            return replace(found, as_found=self._found_at(outcome))
        if found is not None:
            self._job.remove_unit(found.place)
        moved = self._job.move_unit(
            move.source,
            move.target,
            how_set=f"register {how.register}, function {how.function}",
            was_aside=listed is not None and self._was_aside(listed, outcome),
        )
        if listed is None or not listed.single:
            moved = replace(moved, as_found=self._found_at(outcome))
        if found is None:
            return moved
        return replace(
            moved,
            kind=found.kind,
            profile=found.profile or moved.profile,
            match=found.match if found.profile else moved.match,
            identity={**moved.identity, **found.identity},
            readings=found.readings or moved.readings,
            sample=found.sample,
            notes=(*moved.notes, *(note for note in found.notes if note not in moved.notes)),
        )

    def _found_at(self, outcome: Outcome) -> Place:
        """Where the unit of a move was before this job first moved it: not where it waited."""
        place = outcome.move.source
        writes = self._job.writes()
        earlier = [w for w in writes if outcome.write is None or w.id < outcome.write]
        for write, move in reversed([*recorded_moves(earlier)]):
            if write.outcome is not Result.VERIFIED:
                continue
            if move.source == place:
                break  # what was here before has left by then: this unit came otherwise
            if move.target == place:
                place = move.source
        return place

    def _was_aside(self, unit: UnitRecord, outcome: Outcome) -> bool:
        """Whether `unit` is where it was only put to wait for its own address."""
        writes = [write for write in self._job.writes() if write.id != outcome.write]
        brought = latest_move(unit, writes)
        return brought is not None and brought.role is Role.ASIDE and (brought.target == unit.place)

    def _list_lost(self, outcome: Outcome) -> None:
        """A unit that was at its new place and is not there any more: back where it was, if that is
        what answers now."""
        move = outcome.move
        unit = self._job.unit(move.target)
        if unit is None:
            return
        asked = "after a power cycle" if outcome.power_cycled else "asked again"
        note = f"{self._job.now()}: {asked}: {outcome.row_words}."
        kept = False if outcome.row in (Row.NOT_KEPT, Row.NEITHER) else unit.power_cycle_verified
        lost = replace(unit, power_cycle_verified=kept, notes=(*unit.notes, note))
        if outcome.row is Row.NOT_KEPT and self._job.unit(move.source) is None:
            self._job.remove_unit(unit.place)
            lost = replace(
                lost,
                place=move.source,
                how_set="",
                previous_address=None,
                power_cycle_verified=None,
            )
        self._job.put_unit(lost)

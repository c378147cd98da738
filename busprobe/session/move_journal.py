"""The journal of a job with its as-built list: what became of a move and where its unit is change
together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from busprobe.job.job import Job
from busprobe.job.journal import Row
from busprobe.job.plan import PlannedUnit, placed_as_planned
from busprobe.readdress.outcome import Outcome


class MoveJournal:
    """A `busprobe.readdress.journal.Journal` that keeps the list up to date with every move."""

    def __init__(self, job: Job, planned: Callable[[int], PlannedUnit | None]) -> None:
        """`planned` says what the plan of the bus has at an address."""
        self.intend_write = job.intend_write
        self.conclude_write = job.conclude_write
        self._job = job
        self._planned = planned

    def conclude_move(self, outcome: Outcome, writes: Sequence[int], /) -> None:
        """Conclude these writes of a move and bring the list up to date, in one transaction."""
        with self._job.together():
            for write in writes:
                self._job.conclude_write(
                    write,
                    outcome.result,
                    row=outcome.row,
                    reply=outcome.reply,
                    why=outcome.recorded_why,
                )
            if outcome.moved:
                self._list_moved(outcome)
            elif outcome.power_cycled:
                self._list_lost(outcome)

    def _list_moved(self, outcome: Outcome) -> None:
        move = outcome.move
        unit = self._job.unit(move.target)
        from_elsewhere = (
            unit is not None
            and not move.changes_settings
            and unit.previous_address != move.source.address
        )
        if unit is None or from_elsewhere:
            how = f"register {move.procedure.register}, function {move.procedure.function}"
            unit = self._job.move_unit(move.source, move.target, how_set=how)
        planned = self._planned(move.target.address)
        if planned is not None:
            unit = placed_as_planned(unit, planned)
        if outcome.power_cycled:
            unit = replace(unit, power_cycle_verified=True)
        self._job.put_unit(unit)

    def _list_lost(self, outcome: Outcome) -> None:
        """A unit that was at its new place and has not kept it: back where it was, if that is what
        answers now."""
        move = outcome.move
        unit = self._job.unit(move.target)
        if unit is None:
            return
        note = f"{self._job.now()}: after a power cycle: {outcome.row_words}."
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

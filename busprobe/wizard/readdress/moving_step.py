"""A step that moves units: the work on the line, what it asks on the way, how it is stopped, what
became of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Event as StopFlag

from rich.text import Text
from textual import on

from busprobe.errors import RefusedError, StoppedError
from busprobe.readdress import batch
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.outcome import Outcome, refusal
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.readdress.write_sequence import Report
from busprobe.session.moves import BusMoves
from busprobe.wizard.common.decision import Decision
from busprobe.wizard.common.notice import Notice
from busprobe.wizard.common.step import Step, StepState
from busprobe.wizard.readdress.confirm_write import ConfirmWrite
from busprobe.wizard.readdress.messages import (
    BatchTold,
    ConfirmAsked,
    MoveEnded,
    MoveStopped,
    PowerCycleAsked,
    Reported,
)
from busprobe.wizard.readdress.power_cycle import PowerCycle
from busprobe.wizard.readdress.unit_moves import WANTED, followed
from busprobe.wizard.readdress.words import batch_text, cycle_words, outcome_text, unit_name

Prepare = Callable[[Report, StopFlag], Prepared]
"""Runs the guards of a move."""


class MovingStep(Step):
    """Runs moves in the background, one piece of work at a time; nothing is written without a yes
    on the screen."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._stop = StopFlag()
        self._answer: Decision[bool] = Decision()
        self._told: list[Text] = []
        """What became of the moves of the work that runs, or ran last."""
        self._going_on = False
        """Whether what is shown was still going on when it was said."""
        self._number = ""
        """Which move of a batch is under way: ``2 of 7``."""

    @property
    def moves(self) -> BusMoves:
        """Everything that is done to addresses and line settings."""
        return BusMoves(self.session)

    def say(self, words: Text, *, going_on: bool = False) -> None:
        """Show what is `going_on`, or what became of it."""
        del words  # where they are shown is for the step to say
        self._going_on = going_on

    def moved(self, outcome: Outcome) -> None:
        """A move was verified; the list has followed already."""

    # -- work
    # ----------------------------------------------------------------------------------------------

    def begin(self, what: str, work: Callable[[], None], *, moves: bool = False) -> bool:
        """Run `work` on the line with a stop and answers of its own; `StoppedError` ends it
        quietly.

        Work that `moves` units is not begun while nobody knows what became of an earlier write.
        """
        unfinished = self.moves.unfinished() if moves and not self.working else ()
        if unfinished:
            self.wizard.explain(
                "First what was cut off",
                f"It is not known what became of write {unfinished[0].id}:"
                f" {unfinished[0].words}\n\nTo move a unit now could put two at one"
                " address.\n\nNext: Press v; both places are asked, and it is told what is true.",
            )
            return False
        if not self.working:
            self._stop, self._answer, self._told = StopFlag(), Decision(), []

        def stoppable() -> None:
            try:
                work()
            except StoppedError as error:
                self.post_message(MoveStopped(error.what))

        return self.on_line(what, stoppable)

    def run_move(self, what: str, prepare: Prepare) -> None:
        """Prepare a move, ask, carry it out, tell what became of it."""
        moves = self.moves

        def work() -> None:
            prepared = prepare(self.report, self._stop)
            self._ended(moves.move(prepared, self.confirm, self.report, self._stop))

        if self.begin(what, work, moves=True):
            self._doing("Wait: both places are looked at, nothing is written unasked. x stops.")

    def run_batch(self, what: str, plan: MoveList) -> None:
        """Make all moves of a plan."""
        moves = self.moves

        def work() -> None:
            for step in moves.carry_out(
                plan.moves,
                confirm=self.confirm,
                power_cycle=self._power_cycle,
                report=self.report,
                stop=self._stop,
            ):
                self.post_message(BatchTold(plan, step))

        if self.begin(what, work, moves=True):
            self._doing("Each write is asked for; x stops before the next one.")

    def run_recovery(self) -> None:
        """Look into what was cut off, then offer what is left of it."""
        moves = self.moves

        def work() -> None:
            for outcome in moves.recover(self.report):
                self._ended(outcome)
            for left in moves.unfinished_steps():
                self._finish(moves, left)

        if self.begin("the recovery", work):
            self._doing("Wait: both places of what was under way are asked.")

    def run_rest(self, left: UnfinishedSteps) -> None:
        """Send what is left of a procedure, once that is confirmed."""
        moves = self.moves
        if self.begin("the rest of the procedure", lambda: self._finish(moves, left)):
            self._doing("Wait: the unit is looked for, nothing is written unasked. x stops.")

    def run_checks(self, before: Sequence[Outcome]) -> None:
        """Look at both places of each move after a power cycle."""
        moves = self.moves

        def work() -> None:
            for outcome in before:
                if not self._stop.is_set():
                    self._ended(moves.verify_again(outcome, self.report))

        if self.begin("the check", work):
            self._doing("Wait: both places of each move are looked at. x stops.")

    def named(self, outcomes: Sequence[Outcome]) -> list[str]:
        """Units of moves as the list names them, where they answer now."""
        units, profiles = self.session.job.units(), self.session.store.profiles
        return [
            cycle_words(outcome, unit_name(outcome.move, units, profiles)) for outcome in outcomes
        ]

    def _finish(self, moves: BusMoves, left: UnfinishedSteps) -> None:
        self.report(left.words)
        try:
            self._ended(moves.finish(left, self.confirm, self.report, self._stop))
        except RefusedError as error:  # what is left of other procedures can be sent all the same
            self._ended(refusal(left.move, error))

    def _ended(self, outcome: Outcome) -> None:
        self.post_message(MoveEnded(outcome))

    def _doing(self, words: str) -> None:
        self.state = StepState.DOING
        self.progress = "moves"
        self.next_words = words
        self.refresh_bindings()

    # -- in the worker
    # -------------------------------------------------------------------------------------

    def report(self, words: str) -> None:
        """Say what is being done."""
        self.post_message(Reported(words))

    def confirm(self, prepared: Prepared) -> bool:
        """Ask whether this may be sent."""
        self.post_message(ConfirmAsked(prepared))
        return self._answer.wait()

    def _power_cycle(self, outcomes: tuple[Outcome, ...]) -> bool:
        self.post_message(PowerCycleAsked(outcomes))
        return self._answer.wait()

    # -- on the screen
    # -------------------------------------------------------------------------------------

    def action_stop(self) -> None:
        """Stop before the next write; one that was sent is still followed up."""
        if self.working:
            self.next_words = "Stopping; a write that was sent is followed up first …"
            self.stop_work()

    def stop_work(self) -> None:
        """Nothing that waits for a yes gets one; watches end."""
        self._stop.set()
        self._answer.leave(False)

    def work_ended(self) -> None:
        """Show where things stand."""
        self.progress = self._number = ""
        if self._going_on:
            self.say(
                Text(
                    "That was cut off before it came to its end. The journal (j) has every write"
                    " until then."
                )
            )
        self.refresh_bindings()
        self.post_message(self.JobChanged())

    @on(Reported)
    def _reported(self, event: Reported) -> None:
        self.say(Text(f"▸ {event.words}"), going_on=True)

    @on(MoveStopped)
    def _stopped(self, event: MoveStopped) -> None:
        self.say(Text(event.words))

    def on_unmount(self) -> None:
        """The screen is gone: a worker must not wait for it for ever."""
        self.stop_work()

    @on(ConfirmAsked)
    def _confirm_asked(self, event: ConfirmAsked) -> None:
        if self._stop.is_set():
            return  # it was answered with a no already
        prepared = event.prepared
        dialog = ConfirmWrite(
            [
                (step.request.words, step.request.frame, str(step.place.settings))
                for step in prepared.steps
            ],
            unit=unit_name(prepared.move, self.session.job.units(), self.session.store.profiles),
            number=self._number,
            effect=prepared.expectation,
            cautions=prepared.cautions,
            warnings=prepared.doubts,
            rescue=prepared.rescue,
        )
        self.app.push_screen(dialog, lambda sure: self._answer.give(bool(sure)))

    @on(PowerCycleAsked)
    def _power_cycle_asked(self, event: PowerCycleAsked) -> None:
        if self._stop.is_set():
            return
        self.app.push_screen(
            PowerCycle(self.named(event.outcomes)), lambda done: self._answer.give(bool(done))
        )

    @on(MoveEnded)
    def _move_ended(self, event: MoveEnded) -> None:
        self._told.append(outcome_text(self, event.outcome))
        self.say(Text("\n\n").join(self._told))
        self._follow(event.outcome)

    @on(BatchTold)
    def _batch_told(self, event: BatchTold) -> None:
        match event.event:
            case batch.Begun(_, number, of):
                self._number = f"{number} of {of}"
                self.progress = f"{number}/{of}"
            case batch.Ended(outcome) | batch.Checked(outcome):
                self.say(outcome_text(self, outcome))
                self._follow(outcome)
                self.post_message(self.JobChanged())
            case batch.BatchFinished() as finished:
                self.say(Text(finished.why))
                self.app.push_screen(
                    Notice("What became of the moves", batch_text(self, event.plan, finished))
                )

    def _follow(self, outcome: Outcome) -> None:
        """Let the wish for a unit go where the unit went."""
        if outcome.moved:
            job = self.session.job
            job.set_state(WANTED, followed(job.state(WANTED) or {}, outcome))
            self.moved(outcome)

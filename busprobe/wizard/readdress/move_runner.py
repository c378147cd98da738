"""Moves run on the line in a thread of their own: what they ask on the way, how they are stopped,
and what became of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Event as StopFlag

from rich.text import Text

from busprobe.errors import FileError, RefusedError, StoppedError
from busprobe.readdress import batch
from busprobe.readdress.guards import RegisterDiffersError
from busprobe.readdress.move import Prepared
from busprobe.readdress.move_list import MoveList
from busprobe.readdress.outcome import Outcome, refusal
from busprobe.readdress.unfinished_steps import UnfinishedSteps
from busprobe.readdress.write_sequence import Report
from busprobe.session.moves import BusMoves
from busprobe.wizard.common.pending_answer import PendingAnswer
from busprobe.wizard.common.question import Failure, Notice
from busprobe.wizard.common.step import Step, StepState
from busprobe.wizard.readdress.dialogs import confirm_write, overwrite_register, power_cycle
from busprobe.wizard.readdress.not_stored import ask_until_kept
from busprobe.wizard.readdress.wanted import followed, keep_wanted, kept_wanted
from busprobe.wizard.readdress.words import batch_text, outcome_text, unit_name, unit_to_cycle

Prepare = Callable[[Report, StopFlag], Prepared]
"""Runs the guards of a move."""


class MoveRunner:
    """Runs moves for a step, one piece of work at a time; nothing is written without a yes on the
    screen.

    What a worker has to say is handed to the step's own thread by ``call_later``.
    """

    def __init__(
        self, step: Step, show: Callable[[Text], None], moved: Callable[[Outcome], None]
    ) -> None:
        """`show` puts words on the step's screen; `moved` is told of each verified move, which the
        list has followed already."""
        self._step = step
        self._show = show
        self._moved = moved
        self.stop = StopFlag()
        """Ends the work under way before its next write."""
        self._answer: PendingAnswer[bool] = PendingAnswer()
        self._told: list[Text] = []
        """What became of the moves of the work that runs, or ran last."""
        self._going_on = False
        """Whether what is shown was still going on when it was said."""
        self._number = ""
        """Which move of a batch is under way: ``2 of 7``."""

    @property
    def moves(self) -> BusMoves:
        """Everything that is done to addresses and line settings."""
        return BusMoves(self._step.session)

    def say(self, words: Text, *, going_on: bool = False) -> None:
        """Show what is `going_on`, or what became of it."""
        self._going_on = going_on
        self._show(words)

    # -- work

    def begin(self, what: str, work: Callable[[], None], *, moves: bool = False) -> bool:
        """Run `work` on the line with a stop and answers of its own; `StoppedError` ends it
        quietly.

        Work that `moves` units is not begun while the outcome of an earlier write is unknown.
        """
        step = self._step
        unfinished = self.moves.unfinished() if moves and not step.working else ()
        if unfinished:
            step.wizard.explain(
                "A write was interrupted",
                f"The outcome of write {unfinished[0].id} is not known:"
                f" {unfinished[0].words}\n\nMoving a unit now could put two at one"
                " address.\n\nNext: Press v to ask at both places.",
            )
            return False
        if not step.working:
            self.stop, self._answer, self._told = StopFlag(), PendingAnswer(), []

        def stoppable() -> None:
            try:
                work()
            except StoppedError as error:
                step.call_later(self.say, Text(error.what))

        return step.on_line(what, stoppable)

    def run_move(
        self, what: str, prepare: Prepare, overwriting: Callable[..., Prepared] | None = None
    ) -> None:
        """Prepare a move, ask, carry it out, tell what became of it.

        `overwriting` prepares it once more where its register holds something else than the unit's
        address and somebody has typed which register it is: it takes the value as `overwrites`.
        """
        moves = self.moves

        def work() -> None:
            try:
                prepared = prepare(self.report, self.stop)
            except RegisterDiffersError as error:
                if overwriting is None or not self._overwrites(error):
                    raise
                prepared = overwriting(self.report, self.stop, overwrites=error.holds)
            self._ended(moves.move(prepared, self.confirm, self.report, self.stop))

        if self.begin(what, work, moves=True):
            self._doing("Wait: both places are looked at, nothing is written unasked. x stops.")

    def run_batch(self, what: str, plan: MoveList) -> None:
        """Make all moves of a plan."""
        moves = self.moves

        def work() -> None:
            for event in moves.carry_out(
                plan.moves,
                confirm=self.confirm,
                power_cycle=self._power_cycle,
                report=self.report,
                stop=self.stop,
            ):
                self._step.call_later(self._batch_told, plan, event)
                if isinstance(event, batch.BatchFinished) and event.failure is not None:
                    raise event.failure

        if self.begin(what, work, moves=True):
            self._doing("Each write is asked for; x stops before the next one.")

    def run_recovery(self) -> None:
        """Look into what was cut off, then offer what is left of it."""
        moves = self.moves

        def work() -> None:
            for outcome in moves.recover(self.report, unsettled=True):
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
                if not self.stop.is_set():
                    self._ended(moves.verify_again(outcome, self.report))

        if self.begin("the check", work):
            self._doing("Wait: both places of each move are looked at. x stops.")

    def named(self, outcomes: Sequence[Outcome]) -> list[str]:
        """Units of moves as the list names them, where they answer now."""
        return [unit_to_cycle(outcome, self._unit_name(outcome)) for outcome in outcomes]

    def stop_work(self) -> None:
        """Nothing that waits for a yes gets one; watches end."""
        self.stop.set()
        self._answer.leave(False)

    def work_ended(self) -> None:
        """Say it where the work was cut off."""
        self._step.progress = self._number = ""
        if self._going_on:
            self.say(
                Text(
                    "That was cut off before it came to its end. The journal (j) has every write"
                    " until then."
                )
            )

    def _finish(self, moves: BusMoves, left: UnfinishedSteps) -> None:
        self.report(left.words)
        try:
            self._ended(moves.finish(left, self.confirm, self.report, self.stop))
        except RefusedError as error:  # what is left of other procedures can be sent all the same
            self._ended(refusal(left.move, error))

    def _ended(self, outcome: Outcome) -> None:
        self._step.call_later(self._move_ended, outcome)

    def _doing(self, words: str) -> None:
        self._step.state = StepState.DOING
        self._step.progress = "moves"
        self._step.next_words = words
        self._step.refresh_bindings()

    def _unit_name(self, outcome: Outcome) -> str:
        session = self._step.session
        return unit_name(outcome.move, session.job.units(), session.store.profiles)

    # -- in the worker

    def report(self, words: str) -> None:
        """Say what is being done."""
        self._step.call_later(self._reported, words)

    def confirm(self, prepared: Prepared) -> bool:
        """Ask whether this may be sent."""
        self._step.call_later(self._ask_to_confirm, prepared)
        return self._answer.wait()

    def _overwrites(self, error: RegisterDiffersError) -> bool:
        """Whether the register that holds something else is to be overwritten."""
        self._step.call_later(self._ask_to_overwrite, error)
        return self._answer.wait()

    def _power_cycle(self, outcomes: tuple[Outcome, ...]) -> bool:
        self._step.call_later(self._ask_for_power_cycle, outcomes)
        return self._answer.wait()

    # -- on the screen

    def _reported(self, words: str) -> None:
        self.say(Text(f"▸ {words}"), going_on=True)

    def _ask_to_confirm(self, prepared: Prepared) -> None:
        if self.stop.is_set():
            return  # it was answered with a no already
        session = self._step.session
        dialog = confirm_write(
            [(step.request, step.place.settings) for step in prepared.steps],
            practice=session.practice is True,
            unit=unit_name(prepared.move, session.job.units(), session.store.profiles),
            number=self._number,
            effect=prepared.expectation,
            free=prepared.target_words,
            cautions=prepared.cautions,
            warnings=prepared.doubts,
            rescue=prepared.rescue,
        )
        self._step.app.push_screen(dialog, lambda sure: self._answer.give(bool(sure)))

    def _ask_to_overwrite(self, error: RegisterDiffersError) -> None:
        if not self.stop.is_set():
            dialog = overwrite_register(error)
            self._step.app.push_screen(dialog, lambda typed: self._answer.give(bool(typed)))

    def _ask_for_power_cycle(self, outcomes: tuple[Outcome, ...]) -> None:
        if not self.stop.is_set():
            dialog = power_cycle(self.named(outcomes))
            self._step.app.push_screen(dialog, lambda done: self._answer.give(bool(done)))

    def _move_ended(self, outcome: Outcome) -> None:
        self._told.append(outcome_text(self._step, outcome))
        self.say(Text("\n\n").join(self._told))
        self.follow(outcome)

    def _batch_told(self, plan: MoveList, event: batch.BatchEvent) -> None:
        match event:
            case batch.Begun(_, number, of):
                self._number = f"{number} of {of}"
                self._step.progress = f"{number}/{of}"
            case batch.Ended(outcome) | batch.Checked(outcome):
                self.say(outcome_text(self._step, outcome))
                self.follow(outcome)
            case batch.BatchFinished() as finished:
                self.say(Text(finished.why))
                self._step.app.push_screen(
                    Notice("Result of the moves", batch_text(self._step, plan, finished))
                )

    def follow(self, outcome: Outcome) -> None:
        """Let the wish for a unit go where the unit went, once that is in the journal."""
        if outcome.not_stored is not None:
            ask_until_kept(self._step, self.moves, outcome, self.follow)
            return
        if outcome.moved:
            job = self._step.session.job
            try:
                keep_wanted(job, followed(kept_wanted(job), outcome))
            except FileError as error:
                self._step.app.push_screen(Failure(error))
            self._moved(outcome)
        self._step.post_message(Step.JobChanged())

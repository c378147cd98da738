"""Prove: does the bus hold up?  Polls without retries, counts by kind of error, reply times as they
come."""

from __future__ import annotations

from collections import deque
from dataclasses import KW_ONLY, dataclass, replace
from enum import Enum
from math import ceil
from threading import Event as Stop
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import UsageError
from busprobe.handover.tables.proof_table import advice
from busprobe.job.endurance_bound import keep_bound, kept_bound
from busprobe.job.records import PollResult
from busprobe.line.place import Place
from busprobe.prove.endurance import Polled, RoundDone, RunEvent, RunFinished
from busprobe.prove.proof import Proof, UnitTally
from busprobe.prove.statistics import milliseconds, polls_for
from busprobe.prove.words import findings
from busprobe.session import endurance_runs as runs
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.event_batches import batches
from busprobe.wizard.common.question import Failure, Notice
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import toned
from busprobe.wizard.common.step import Step, StepName, StepState
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.prove.forms import read_percent, read_run
from busprobe.wizard.prove.plots import FAILED, Plot
from busprobe.wizard.prove.polling_screen import PollingScreen
from busprobe.wizard.prove.words import (
    GO_ON,
    HELP,
    advice_words,
    counted,
    coverage,
    in_milliseconds,
    marked,
    standing,
)

_KINDS = (
    (Column("OK", right=True), (PollResult.OK, PollResult.OK_AFTER_STRAY_BYTES)),
    (Column("Silent", right=True, brief="Sil"), (PollResult.SILENT,)),
    (Column("Late", right=True), (PollResult.LATE,)),
    (Column("CRC", right=True), (PollResult.CRC,)),
    (Column("Malformed", right=True, brief="Mal"), (PollResult.MALFORMED,)),
    (Column("Other unit", right=True, brief="Oth"), (PollResult.FOREIGN,)),
    (Column("Exception", right=True, brief="Exc"), (PollResult.EXCEPTION,)),
)
"""Columns of the table, and the kinds each counts."""

_COLUMNS = (
    Column("Unit"),
    Column("Polls", right=True),
    *(column for column, _ in _KINDS),
    Column("Median ms", right=True, brief="ms"),
    Column("Max ms", right=True, brief="Max"),
)

_PLOTTED = 512
"""Polls kept for the plot; wider than any terminal."""

_CYCLES = 20
"""Cycles of the polling table that are measured."""


_AT_REST = ("start", "new", "polling")
"""Actions that need the line."""


class View(Enum):
    """What the plot shows."""

    TIMES = "times"
    SPREAD = "spread"
    FAILURES = "failures"


class ProveStep(Step):
    """An endurance run over all units of the job, live."""

    TITLE = StepName.PROVE
    HELP = HELP
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.PROVE])]

    @dataclass
    class Advanced(Message):
        """Units were polled."""

        events: tuple[RunEvent, ...]

    @dataclass
    class Trying(Message):
        """A trial of the polling table goes on, or is over."""

        words: str
        _: KW_ONLY
        over: bool = False
        port_failed: bool = False

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._stop = Stop()
        self._proof: Proof | None = None
        self._times: dict[Place, deque[float | None]] = {}
        self._view = View.SPREAD
        self._port_failed = False
        self._proposed = {"rounds": "", "minutes": ""}
        """The rounds that the step filled in by itself."""

    def compose(self) -> ComposeResult:
        """How long; the table; the plot; what it proves."""
        with Horizontal(classes="row"):
            yield Static("Ends after", classes="label")
            yield Input("", id="prove-rounds", compact=True, type="integer", max_length=7)
            yield Static(" rounds or", classes="label")
            yield Input("", id="prove-minutes", compact=True, type="number", max_length=6)
            yield Static(" minutes, whichever is first", classes="label")
        with Horizontal(classes="row"):
            yield Static("Wanted error rate %", classes="label")
            yield Input("", id="prove-percent", compact=True, max_length=6)
            yield Static(" Pause before a request, ms", classes="label")
            yield Input("", id="prove-pause", compact=True, type="number", max_length=5)
        yield Static(id="prove-status")
        with Container(classes="panes"):
            yield RowTable(_COLUMNS, id="tallies")
            with Beside(classes="beside"):
                yield Static(id="plot-head", classes="head")
                plot = Plot(id="plot")
                plot.display = False  # an empty one says nothing
                yield plot
                yield Static(id="prove-findings", classes="said gap")

    def on_mount(self) -> None:
        """Show the error rate that was agreed."""
        self.query_one("#prove-percent", Input).value = f"{self._wanted:g}"

    def first_focus(self) -> Widget:
        """The table."""
        return self._table

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """A run that goes on can be stopped, and not started."""
        del parameters
        return self.working if action == "stop" else not self.working or action not in _AT_REST

    def job_changed(self) -> None:
        """Show the last run of the job, unless one is running."""
        if self.working:
            return
        if self._proof is None:
            kept = runs.last_run(self.session.job)
            self._proof = kept.proof if kept else None
        self._propose_its_end()
        if self._proof is not None:
            self._show(self._proof)
        self._conclude()

    def _propose_its_end(self) -> None:
        """A run that was cut off goes on to where it was to end; a new one takes as long as was
        agreed, and longer where the polls of that time would be too few for the error rate.  What
        was typed stays."""
        shown = {name: self.query_one(f"#prove-{name}", Input) for name in ("rounds", "minutes")}
        if {name: each.value for name, each in shown.items()} != self._proposed:
            return
        proof = self._proof
        if proof is not None and not proof.complete and (proof.asked_rounds or proof.asked_seconds):
            rounds, seconds = proof.asked_rounds, proof.asked_seconds
        else:
            bound = kept_bound(self.session.job)
            asked = runs.targets(self.session.job.units(), self.session.store.profiles)
            polls = min((len(target.requests) for target in asked), default=1)
            needed = ceil(polls_for(bound.percent / 100) / polls)
            cycle = None if proof is None else proof.round_times.median
            rounds, seconds = None, max(60 * bound.minutes, needed * (cycle or 0.0))
        self._proposed = {
            "rounds": str(rounds or ""),
            "minutes": "" if seconds is None else f"{ceil(seconds / 6) / 10:g}",
        }
        for name, each in shown.items():
            each.value = self._proposed[name]

    @property
    def _wanted(self) -> float:
        """The error rate that is to be proven, in percent."""
        return kept_bound(self.session.job).percent

    @on(Input.Changed, "#prove-percent")
    def _percent_typed(self, event: Input.Changed) -> None:
        try:
            percent = read_percent(event.value)
        except UsageError:
            return  # it is said where the run is started
        if percent != self._wanted:
            keep_bound(self.session.job, replace(kept_bound(self.session.job), percent=percent))
            self._propose_its_end()
            self.post_message(self.JobChanged())

    # -- running

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_start()

    def action_start(self) -> None:
        """Start, or go on with the counts so far."""
        self._begin(resume=self._proof is not None and not self._proof.complete)

    def action_new(self) -> None:
        """Start from zero."""
        self._begin(resume=False)

    def _begin(self, *, resume: bool) -> None:
        typed = (
            self.query_one(f"#prove-{name}", Input).value.strip()
            for name in ("rounds", "minutes", "pause")
        )
        try:
            read_percent(self.query_one("#prove-percent", Input).value)
            order = read_run(*typed)
        except UsageError as error:
            self.notify(error.what, severity="warning", markup=False)
            return
        self._stop.clear()
        reopen = self._port_failed

        def work() -> None:
            if reopen:
                self.session.reopen()
            events = self.session.prove(
                rounds=order.rounds,
                minutes=order.minutes,
                pause=order.pause,
                stop=self._stop,
                resume=resume,
            )
            for batch in batches(events):
                self.post_message(self.Advanced(batch))

        if self.on_line("the endurance run", work):
            if not resume:
                self._proof = None
                self._times.clear()
                self._show_nothing()
            self._view = View.TIMES
            self.state = StepState.DOING
            self.progress = "polls"
            self.next_words = "Wait, or look at other steps: the polls go on. x stops."
            self.focus()

    def action_stop(self) -> None:
        """Stop after the poll under way; the run can go on later."""
        self.stop_work()

    def stop_work(self) -> None:
        """End after the poll under way."""
        self._stop.set()

    def work_ended(self) -> None:
        """The run is over."""
        self.progress = ""
        self.post_message(self.JobChanged())

    @on(Advanced)
    def _advanced(self, event: Advanced) -> None:
        for one in event.events:
            match one:
                case Polled():
                    latency = one.reply.latency
                    answered = (
                        one.result
                        in (PollResult.OK, PollResult.OK_AFTER_STRAY_BYTES, PollResult.EXCEPTION)
                        and latency is not None
                    )
                    times = self._times.setdefault(one.place, deque(maxlen=_PLOTTED))
                    times.append(milliseconds(latency) if answered else FAILED)
                    self._proof = one.proof
                case RoundDone():
                    self._proof = one.proof
                    self.progress = f"r. {one.proof.rounds}"
                case RunFinished():
                    self._proof = (
                        one.proof if one.proof.polls else None
                    )  # then the last one of the job is shown
                    self._port_failed = one.failure is not None
                    if one.failure is not None:
                        self.app.push_screen(Failure(one.failure))
        if self._proof is not None:
            self._show(self._proof)

    def action_findings(self) -> None:
        """Say all that the run showed: below the plot there may be no room for it."""
        words = (
            "\n\n".join(self._findings(self._proof))
            if self._proof
            else "Nothing was polled yet: s starts a run."
        )
        self.app.push_screen(Notice("What the run showed", words))

    # -- for the master

    def action_advice(self) -> None:
        """Say what to set at the master."""
        self.app.push_screen(
            Notice("Advice for the master", advice_words(advice(self.session.bus_list())))
        )

    def action_polling(self) -> None:
        """Show the polling table."""

        def seen(_: None) -> None:
            self.post_message(self.JobChanged())

        self.app.push_screen(PollingScreen(self.session, self._try_polling), seen)

    def _try_polling(self) -> bool:
        self._stop.clear()
        reopen = self._port_failed

        def work() -> None:
            if reopen:
                self.session.reopen()
            for event in self.session.try_polling(_CYCLES, self._stop):
                match event:
                    case runs.Tried(trial):
                        self.post_message(
                            self.Trying(
                                f"{len(trial.table.rows)} requests; measuring {_CYCLES} cycles."
                            )
                        )
                    case RunFinished(proof, failure):
                        words = f"Tried: {proof.failed} of {proof.polls} polls failed."
                        if failure is not None:
                            words = f"Plug the adapter in, then press s. {failure.what}"
                        self.post_message(
                            self.Trying(words, over=True, port_failed=failure is not None)
                        )

        return self.on_line("the trial of the polling table", work)

    @on(Trying)
    def _trying(self, event: Trying) -> None:
        self._port_failed = event.port_failed
        if isinstance(self.app.screen, PollingScreen):
            self.app.screen.say(event.words)
            if event.over:
                self.app.screen.show_table()

    # -- showing

    @on(RowTable.Highlighted, "#tallies")
    def _moved(self) -> None:
        if self._proof is not None:
            self._show_plot(self._proof)

    def action_view(self) -> None:
        """Show the next plot."""
        views = [view for view in View if view is not View.TIMES or self._times]
        place = views.index(self._view) if self._view in views else -1
        self._view = views[(place + 1) % len(views)]
        if self._proof is not None:
            self._show_plot(self._proof)

    @property
    def _table(self) -> RowTable[Place]:
        return self.query_one("#tallies", RowTable)

    def _show(self, proof: Proof) -> None:
        self._table.fill((unit.place, self._row(unit)) for unit in proof.units)
        self.query_one("#prove-status", Static).update(
            Text(coverage(self.session.job.units(), proof, kept_bound(self.session.job)))
        )
        self._show_plot(proof)
        self.query_one("#prove-findings", Static).update(Text("\n".join(self._findings(proof))))

    def _findings(self, proof: Proof) -> tuple[str, ...]:
        """What the run showed, and whom it left out."""
        unclear = [unit for unit in self.session.job.units() if not unit.single]
        left_out = ", ".join(f"{unit.place} ({unit.kind})" for unit in unclear)
        return (
            *findings(proof),
            *(
                [f"Not polled because no single unit is clear there: {left_out}."]
                if unclear
                else []
            ),
        )

    def _show_nothing(self) -> None:
        """Counts of an earlier run must not look like those of the run that begins."""
        self._table.fill(())
        self.query_one(Plot).display = False
        for name in ("#prove-status", "#plot-head", "#prove-findings"):
            self.query_one(name, Static).update("")

    def _row(self, unit: UnitTally) -> list[Text | str]:
        cells: list[Text | str] = [str(unit.place), counted(unit.polls)]
        for index, (_, kinds) in enumerate(_KINDS):
            count = sum(unit.count(kind) for kind in kinds)
            cells.append(
                toned(self, marked(count), "wrong")
                if index and count
                else counted(count)
                if count
                else "-"
            )
        return [
            *cells,
            in_milliseconds(unit.reply_times.median),
            in_milliseconds(unit.reply_times.maximum),
        ]

    def _show_plot(self, proof: Proof) -> None:
        chosen = next((unit for unit in proof.units if unit.place == self._table.chosen), None)
        if chosen is None:
            return
        times = chosen.reply_times
        plot = self.query_one(Plot)
        plot.display = True
        median, most, longest = map(
            in_milliseconds, (times.median, times.percentile(99), times.maximum)
        )
        said = f"median {median}, 99 % within {most}, longest {longest}"
        match self._view:
            case View.TIMES:
                head = f"Unit {chosen.place} replies in ms: {said}"
                plot.show_times(self._times.get(chosen.place, ()))
            case View.SPREAD:
                head = f"Unit {chosen.place} spread in ms: {said}"
                plot.show_spread(times)
            case View.FAILURES:
                head = "Failed polls over the time of the run: 1-9 of them, # more, · none"
                plot.show_failures(proof)
        self.query_one("#plot-head", Static).update(Text(head))

    def _conclude(self) -> None:
        proof = self._proof
        failing = proof is not None and proof.complete and not proof.clean
        self.solves = (Verb.EVIDENCE,) if failing else ()
        if self._port_failed:
            self.stand(StepState.CHECK, "Plug the adapter in first; the counts are kept.", GO_ON)
        else:
            bound = kept_bound(self.session.job)
            self.stand(*standing(self.session.job.units(), self._proof, bound))

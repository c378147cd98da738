"""Prove: does the bus hold up?  Polls without retries, counts by kind of error, reply times as they come."""

from __future__ import annotations

from collections import deque
from threading import Event as Stop
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import DataTable, Input, Static

from busprobe.prove.endurance import Event, Finished, Polled, RoundDone
from busprobe.prove.proof import FORMAT, Proof
from busprobe.prove.statistics import milliseconds
from busprobe.prove.tally import Key, Kind, UnitTally
from busprobe.wizard.batch import batches
from busprobe.wizard.signs import toned
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.widgets.reply_plot import FAILED, ReplyPlot
from busprobe.wizard.widgets.unit_table import UnitTable

_KINDS = (
    ("OK", 6, (Kind.OK, Kind.OK_AFTER_JUNK)),
    ("Silent", 7, (Kind.SILENT,)),
    ("Late", 5, (Kind.LATE,)),
    ("CRC", 5, (Kind.CRC,)),
    ("Malf.", 6, (Kind.MALFORMED,)),
    ("Other", 6, (Kind.FOREIGN,)),
    ("Exc.", 5, (Kind.EXCEPTION,)),
)
"""Columns of the table, their widths, and the kinds each counts."""

_COLUMNS = (("Unit", 14), ("Polls", 6), *((title, width) for title, width, _ in _KINDS), ("Median", 7), ("Max ms", 7))
_PLOTTED = 512


class ProveStep(Step):
    """An endurance run over all units of the job, live."""

    TITLE = "Prove"
    HELP = """\
Polls every unit of the job again and again at full speed. Nothing is retried, so that no fault hides. A sound bus \
makes no errors at all; any count beside OK deserves a look.

  Silent   no reply within 1 s             Late    the reply came after that
  CRC      bytes damaged on the way        Malf.   bytes, but no sensible frame
  Other    another address answered        Exc.    the unit answered, but refused what was asked

The plot shows the reply times of the unit under the cursor, newest on the right; x is a failed poll. Below it is \
what the run proves: after N polls without an error the error rate is below about 3/N, with 95 % confidence.

A run that was stopped, or cut off by an unplugged adapter, can go on; its counts are kept."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "start", "Start", tooltip="start, or go on with a run that was stopped"),
        Binding("x", "stop", "Stop"),
        Binding("n", "new", "New run", tooltip="start from zero"),
    ]

    class Advanced(Message):
        """Units were polled."""

        def __init__(self, events: tuple[Event, ...]) -> None:
            self.events = events
            super().__init__()

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._stop = Stop()
        self._proof: Proof | None = None
        self._times: dict[Key, deque[float | None]] = {}

    def compose(self) -> ComposeResult:
        """How long; the table; the plot; what it proves."""
        with Horizontal(classes="row"):
            yield Static("Rounds", classes="label")
            yield Input("20", id="prove-rounds", compact=True, type="integer", max_length=7)
            yield Static(" or minutes", classes="label")
            yield Input("", id="prove-minutes", compact=True, type="number", max_length=6)
            yield Static(id="prove-status")
        yield UnitTable(_COLUMNS, id="tallies", padding=0)
        yield Static(id="plot-head", classes="head gap")
        plot = ReplyPlot(id="plot")
        plot.display = False  # an empty one says nothing; the job keeps no single times
        yield plot
        yield Static(id="prove-findings", classes="said gap")

    def first_focus(self) -> Widget:
        """The table."""
        return self._table

    def job_changed(self) -> None:
        """Show the last run of the job, unless one is running."""
        if self.working:
            return
        if self._proof is None:
            self._proof = self._stored()
        if self._proof is None:
            self.state = StepState.TO_DO
            units = any(unit.kind == "unit" for unit in self.session.job.units())
            self.next_words = "Press s to poll all units." if units else "No unit is known yet. Survey first, step 3."
        else:
            self._show(self._proof)
            self._conclude(self._proof)

    def _stored(self) -> Proof | None:
        latest = self.session.job.latest("prove")
        if latest is None or latest.document.get("format") != FORMAT:
            return None
        return Proof.from_document(latest.document)

    # -- running -------------------------------------------------------------------------------------------

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_start()

    def action_start(self) -> None:
        """Start, or go on with the counts so far."""
        before = self._proof
        self._begin(before if before is not None and not before.complete else None)

    def action_new(self) -> None:
        """Start from zero."""
        self._begin(None)

    def _begin(self, before: Proof | None) -> None:
        rounds = self.query_one("#prove-rounds", Input).value
        minutes = self.query_one("#prove-minutes", Input).value
        self._stop.clear()

        def work() -> None:
            events = self.session.prove(
                rounds=int(rounds) if rounds else None,
                minutes=float(minutes) if minutes else None,
                stop=self._stop,
                before=before,
            )
            for batch in batches(events):
                self.post_message(self.Advanced(batch))

        if not rounds and not minutes:
            self.notify("Say how many rounds or minutes.", severity="warning", markup=False)
        elif self.on_line("the endurance run", work):
            if before is None:
                self._proof = None
                self._times.clear()
            self.state = StepState.DOING
            self.progress = "polls"
            self.next_words = "Wait, or look at other steps: the polls go on. x stops."
            self._table.focus()

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
                    latency = one.reply.exchange.latency
                    answered = one.kind in (Kind.OK, Kind.OK_AFTER_JUNK, Kind.EXCEPTION) and latency is not None
                    times = self._times.setdefault((one.address, one.settings), deque(maxlen=_PLOTTED))
                    times.append(milliseconds(latency) if answered else FAILED)
                case RoundDone():
                    self._proof = one.proof
                    self.progress = f"r. {one.proof.rounds}"
                case Finished():
                    self._proof = one.proof
        if self._proof is not None:
            self._show(self._proof)

    # -- showing -------------------------------------------------------------------------------------------

    @on(DataTable.RowHighlighted, "#tallies")
    def _moved(self) -> None:
        if self._proof is not None:
            self._show_plot(self._proof)

    @property
    def _table(self) -> UnitTable:
        return self.query_one("#tallies", UnitTable)

    def _show(self, proof: Proof) -> None:
        self._table.fill((_key_text(unit.key), self._row(unit)) for unit in proof.units)
        self.query_one("#prove-status", Static).update(
            Text(f"  {proof.rounds} rounds, {proof.polls} polls, {proof.seconds:.0f} s, {proof.failed} failed")
        )
        self._show_plot(proof)
        self.query_one("#prove-findings", Static).update(Text("\n".join(proof.findings)))

    def _row(self, unit: UnitTally) -> list[Text | str]:
        cells: list[Text | str] = [_key_text(unit.key), str(unit.polls)]
        for index, (_, _, kinds) in enumerate(_KINDS):
            count = sum(unit.count(kind) for kind in kinds)
            cells.append(toned(self, f"! {count}", "wrong") if index and count else str(count) if count else "-")
        return [*cells, _ms(unit.reply_times.median), _ms(unit.reply_times.maximum)]

    def _show_plot(self, proof: Proof) -> None:
        chosen = next((unit for unit in proof.units if _key_text(unit.key) == self._table.chosen), None)
        if chosen is None:
            return
        times = chosen.reply_times
        self.query_one("#plot-head", Static).update(
            Text(
                f"Unit {_key_text(chosen.key)} replies in ms: median {_ms(times.median)}, "
                f"99 % within {_ms(times.percentile(99))}, longest {_ms(times.maximum)}"
            )
        )
        plot = self.query_one(ReplyPlot)
        plot.show(self._times.get(chosen.key, ()))
        plot.display = bool(self._times)

    def _conclude(self, proof: Proof) -> None:
        if not proof.clean:
            self.state = StepState.CHECK
            self.next_words = "Look at the units with marked counts; Wiring (2) tells what it may be."
        elif not proof.complete:
            self.state = StepState.DOING
            self.next_words = "Press s to go on with this run, or n for a new one."
        else:
            self.state = StepState.DONE
            self.next_words = "Go on to Hand over (7), or run longer: more polls prove more."


def _key_text(key: Key) -> str:
    return f"{key[0]} {key[1]}"


def _ms(seconds: float | None) -> str:
    return "-" if seconds is None else f"{1000 * seconds:.1f}"

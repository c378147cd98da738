"""Survey: who is on this pair, at which line settings, and where do two share an address?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import DataTable, Input, Static

from busprobe.errors import UsageError
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.recording import RecordedSurvey
from busprobe.survey.events import Asking, Event, Finished, Found, Heard, Progress, Started, Trouble
from busprobe.text import hex_bytes
from busprobe.wizard.batch import batches
from busprobe.wizard.decision import Decision
from busprobe.wizard.dialogs.question import Answer, Question
from busprobe.wizard.search import Search, read_search
from busprobe.wizard.signs import signed
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.survey_words import (
    asked_everywhere,
    evidence_words,
    remarks,
    same_search,
    standing,
    summary,
    time_words,
)
from busprobe.wizard.widgets.address_map import LEGEND, AddressMap, Mark
from busprobe.wizard.widgets.unit_table import UnitTable

_MARKS = {"unit": Mark.UNIT, "clash": Mark.CLASH, "unsure": Mark.UNSURE}
_BAR = 24


class SurveyStep(Step):
    """What to search, the map filling up, what was found."""

    TITLE = "Survey"
    HELP = """\
Searches the pair for units: every address asked for, at every line setting asked for, the most likely first.

  Settings    "common" for the usual 32, or a list: 9600-8N1,19200-8E1
  Addresses   1-247, or a set: 1,5,10-20
  Expected    how many units are connected, if you know. The survey stops once it has found so many, and says what \
was not tested. It is also the only way to tell identical twins at one address.

"-" on the map means that nobody replied, which is not the same as nobody there: a unit without power, on swapped \
wires or at other line settings is silent too. "X" is two or more units at one address: sort them out in step 5.

You can look at other steps while the survey runs; it goes on, and the rail shows how far it is."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "start", "Start"),
        Binding("p", "pause", "Pause", tooltip="pause the survey, or go on"),
        Binding("k", "skip", "Skip", tooltip="skip the line setting that is being searched"),
        Binding("x", "stop", "Stop", tooltip="stop; what was found is kept, the rest is 'not tested'"),
        Binding("e", "evidence", "Evidence", tooltip="show what the finding under the cursor rests on"),
    ]

    class Advanced(Message):
        """The survey went on."""

        def __init__(self, events: tuple[Event, ...]) -> None:
            self.events = events
            super().__init__()

    class MasterHeard(Message):
        """Another master talks; the survey waits for an answer."""

        def __init__(self, words: str) -> None:
            self.words = words
            super().__init__()

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._run: RecordedSurvey | None = None
        self._despite_master: Decision[bool] = Decision()
        self._paused = False
        self._stopping = False
        self._found: dict[tuple[int, str], Mapping[str, Any]] = {}
        self._exchanges: dict[tuple[int, str], tuple[str, ...]] = {}
        """What each finding rests on, in words; the job keeps the raw replies only."""
        self._asked: dict[LineSettings, set[int]] = {}
        self._asking: Asking | None = None
        self._trouble: list[str] = []

    def compose(self) -> ComposeResult:
        """Form, progress, map beside findings, legend, what is asked."""
        with Horizontal(classes="row"):
            yield Static("Settings", classes="label")
            yield Input("common", id="survey-settings", compact=True)
            yield Static(" Addresses", classes="label")
            yield Input("1-247", id="survey-addresses", compact=True)
            yield Static(" Expected", classes="label")
            yield Input("", id="survey-expect", compact=True, type="integer", max_length=3, placeholder="?")
        yield Static(id="survey-progress")
        with Horizontal(id="survey-found"):
            yield AddressMap(id="map")
            yield UnitTable((("Unit", 5), ("Settings", 11), ("Finding", 8)), id="findings", padding=0)
        yield Static(Text(LEGEND), id="legend")
        yield Static(id="survey-cursor", classes="said")
        yield Static(id="survey-asking", classes="said")

    def first_focus(self) -> Widget:
        """The map."""
        return self.query_one(AddressMap)

    def job_changed(self) -> None:
        """Show the job's last survey, unless one is running."""
        if self.working:
            return
        record = self.session.job.latest_survey()
        self._show_cursor()
        if record is None:
            self.next_words = "Press s to start, or change what is searched first (Tab)."
            self._show_estimate()
            return
        self._found = {(f["address"], f["settings"]): f for f in record.findings}
        silent = ((address, Mark.SILENT) for address in asked_everywhere(record))
        self.query_one(AddressMap).show(silent, clear=True)
        self._show_found()
        self._say("#survey-progress", Text(summary(record.document, len(self._found))))
        self._say("#survey-asking", Text(remarks(record.document)))
        self.state, self.next_words = standing(record, self.session.job.units(), len(self._found))

    # -- starting ------------------------------------------------------------------------------------------

    @on(Input.Changed)
    def _typed(self) -> None:
        if not self.working:
            self._show_estimate()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_start()

    def action_start(self) -> None:
        """Start the survey as the form says."""
        try:
            search = self._search()
        except UsageError as error:
            self._say("#survey-progress", Text(str(error), style="bold"))
            return

        latest = self.session.job.latest_survey()
        if latest is None or latest.complete or latest.progress is None or not same_search(latest.asked, search):
            self._begin(search, resume=False)
            return

        def decide(resume: bool | None) -> None:
            if resume is not None:
                self._begin(search, resume=resume)

        self.app.push_screen(
            Question[bool | None](
                "Go on where the last survey ended?",
                f"The survey begun {latest.begun} asked for the same and did not get to its end. "
                f"It had found {len(latest.findings)}.",
                (
                    Answer("g", "Go on with it", True),
                    Answer("n", "A new survey", False),
                    Answer("c", "Cancel", None),
                ),
            ),
            decide,
        )

    def _begin(self, search: Search, *, resume: bool) -> None:
        decision = self._despite_master = Decision()
        self._paused = self._stopping = False

        def work() -> None:
            run = self.session.survey(search.settings, search.addresses, expect=search.expect, resume=resume)
            self._run = run
            if self._paused:
                run.pause()
            if self._stopping:
                run.cancel()
            for events in batches(self._answering(run, decision)):
                self.post_message(self.Advanced(events))

        if self.on_line("the survey", work):
            if not resume:
                self._found.clear()
                self._exchanges.clear()
            self._asked.clear()
            self._trouble.clear()
            self._show_found()
            self.query_one(AddressMap).show((), clear=True)
            self.query_one(AddressMap).focus()
            self.state = StepState.DOING
            self.progress = "0 %"
            self.next_words = "Wait, or look at other steps: the survey goes on. p pauses, x stops."

    def _answering(self, run: RecordedSurvey, decision: Decision[bool]) -> Iterator[Event]:
        """The events of `run`; where another master is heard, the run waits until somebody has decided."""
        for event in run:
            yield event
            if isinstance(event, Heard):
                self.post_message(self.MasterHeard(event.words))
                if decision.wait():
                    run.go_on()

    @on(MasterHeard)
    def _master_heard(self, event: MasterHeard) -> None:
        def decide(go_on: bool | None) -> None:
            self._despite_master.give(bool(go_on))

        self.app.push_screen(
            Question(
                "! Another master is on this pair",
                f"{event.words}\n\nTo go on asking disturbs it; plant that depends on it may trip. The safe way: have "
                "it switched off or unplugged by whoever runs it, then survey.",
                (Answer("s", "Stop the survey", False), Answer("g", "Go on, I may do this", True)),
                grave=True,
            ),
            decide,
        )

    # -- while it runs -------------------------------------------------------------------------------------

    def action_pause(self) -> None:
        """Pause or go on."""
        if not self.working:
            return
        self._paused = not self._paused
        if self._paused:
            if self._run is not None:
                self._run.pause()
            self.progress = "paused"
            self.next_words = "Paused. p goes on, x stops; what was found is in the job."
        else:
            if self._run is not None:
                self._run.unpause()
            self.next_words = "Wait, or look at other steps: the survey goes on. p pauses, x stops."

    def action_skip(self) -> None:
        """Leave the setting that is searched; it counts as not tested."""
        if self._run is not None and self.working:
            self._run.skip_setting()

    def action_stop(self) -> None:
        """Stop; what was found is kept."""
        if self.working:
            self.next_words = "Stopping …"
            self.stop_work()

    def stop_work(self) -> None:
        """End after the exchange under way."""
        self._stopping = True
        if self._run is not None:
            self._run.cancel()
        self._despite_master.leave(False)

    def work_ended(self) -> None:
        """The survey is over."""
        self._run = None
        self.progress = ""
        self.post_message(self.JobChanged())

    @on(Advanced)
    def _advanced(self, event: Advanced) -> None:
        progress = None
        for one in event.events:
            match one:
                case Asking():
                    self._asking = one
                    self._asked.setdefault(one.settings, set()).add(one.address)
                case Found():
                    key = one.finding.address, str(one.finding.settings)
                    self._found[key] = one.finding.document()
                    self._exchanges[key] = tuple(evidence.words for evidence in one.finding.evidence)
                    self._show_found()
                case Progress():
                    progress = one
                case Trouble():
                    self._trouble.append(one.words)
                case Started() | Heard() | Finished():
                    pass
        self._show_asking()
        if progress is not None and not self._paused:
            self._show_progress(progress)

    # -- showing -------------------------------------------------------------------------------------------

    def action_evidence(self) -> None:
        """Show what the finding under the cursor rests on."""
        address = self.query_one(AddressMap).cursor
        found = [
            evidence_words(finding, self._exchanges.get(key, ()))
            for key, finding in sorted(self._found.items())
            if key[0] == address
        ]
        if found:
            self.wizard.explain(f"Address {both_forms(address)}: evidence", "\n\n".join(found))
        else:
            word = self.query_one(AddressMap).mark(address).word
            self.wizard.explain(f"Address {both_forms(address)}: evidence", f"Nothing was found here: {word}.")

    @on(AddressMap.Chosen)
    def _address_chosen(self) -> None:
        self.action_evidence()

    @on(AddressMap.Moved)
    def _cursor_moved(self) -> None:
        self._show_cursor()

    @on(DataTable.RowHighlighted, "#findings")
    def _finding_highlighted(self, event: DataTable.RowHighlighted) -> None:
        if event.data_table.has_focus and event.row_key.value is not None:
            self.query_one(AddressMap).cursor = int(event.row_key.value.split()[0])

    @on(DataTable.RowSelected, "#findings")
    def _finding_selected(self) -> None:
        self.action_evidence()

    def _search(self) -> Search:
        return read_search(
            self.query_one("#survey-settings", Input).value,
            self.query_one("#survey-addresses", Input).value,
            self.query_one("#survey-expect", Input).value,
        )

    def _show_estimate(self) -> None:
        try:
            search = self._search()
        except UsageError as error:
            self._say("#survey-progress", Text(f"✖ {error}"))
            return
        words = f"Will ask {search.words}, about {time_words(search.seconds)} if nobody is found."
        self._say("#survey-progress", Text(words))

    def _show_progress(self, progress: Progress) -> None:
        share = progress.done / progress.total if progress.total else 0.0
        full = round(share * _BAR)
        self.progress = f"{100 * share:.0f} %"
        bar = f"{'█' * full}{'░' * (_BAR - full)} {100 * share:3.0f} %"
        left = f"{time_words(progress.seconds_left)} left, {len(self._found)} found"
        self._say("#survey-progress", Text(f"{bar}   {left}"))

    def _show_asking(self) -> None:
        asking = self._asking
        if asking is None:
            return
        asked = self._asked.get(asking.settings, set())
        marks: dict[int, Mark] = dict.fromkeys(asked, Mark.SILENT)
        marks[asking.address] = Mark.ASKING
        self.query_one(AddressMap).show((marks | self._found_marks()).items(), clear=True)
        sent = f"Sent {hex_bytes(asking.frame)}, waits {1000 * asking.waits.reply:.0f} ms"
        words = f"{asking.settings}  {asking.words}\n{sent}"
        trouble = f"\n! {self._trouble[-1]}" if self._trouble else ""
        self._say("#survey-asking", Text(words + trouble))

    def _found_marks(self) -> dict[int, Mark]:
        return {address: _MARKS[found["kind"]] for (address, _), found in self._found.items()}

    def _show_found(self) -> None:
        self.query_one(AddressMap).show(self._found_marks().items())
        rows = (
            (f"{address} {settings}", (str(address), settings, signed(self, found["kind"])))
            for (address, settings), found in sorted(self._found.items())
        )
        self.query_one("#findings", UnitTable).fill(rows)
        self._show_cursor()

    def _show_cursor(self) -> None:
        addresses = self.query_one(AddressMap)
        at = addresses.cursor
        text = Text(f"Address {both_forms(at)}: ", style="bold")
        found = [(settings, f) for (address, settings), f in sorted(self._found.items()) if address == at]
        if not found:
            text.append(addresses.mark(at).word, style="not bold")
        for settings, finding in found:
            text.append_text(signed(self, finding["kind"])).append(f" at {settings}  ", style="not bold")
            text.append(" ".join(finding["notes"][:1]), style="not bold")
        self._say("#survey-cursor", text)

    def _say(self, where: str, words: Text) -> None:
        self.query_one(where, Static).update(words)

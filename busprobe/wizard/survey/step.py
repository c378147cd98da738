"""Survey: who is on this pair, at which line settings, and where do two share an address?"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import UsageError
from busprobe.line.place import Place
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.session.recorded_survey import RecordedSurvey
from busprobe.survey.events import (
    Event,
    Fault,
    Finished,
    FirstPassOver,
    Found,
    Identifying,
    OtherMasterHeard,
    Progress,
    Started,
)
from busprobe.survey.findings import Finding, Kind
from busprobe.survey.kept_survey import KeptSurvey
from busprobe.survey.probes import Asking, Listening, LookingQuickly, WireStep
from busprobe.survey.words import kind_of_unit
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.choice import ChoiceDialog
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.event_batches import batches
from busprobe.wizard.common.pending_answer import PendingAnswer
from busprobe.wizard.common.question import if_given
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.signs import OF_KIND, Sign, signed
from busprobe.wizard.common.step import Step, StepName, StepState
from busprobe.wizard.common.unit_words import model_words
from busprobe.wizard.survey.address_map import LEGEND, AddressMap, Mark
from busprobe.wizard.survey.forms import (
    Less,
    Phase,
    SearchRange,
    despite_master,
    go_on_with,
    less_to_search,
    read_search,
)
from busprobe.wizard.survey.words import (
    START,
    asked_everywhere,
    asking_words,
    course,
    evidence_words,
    first_pass_words,
    nothing_found,
    progress_words,
    remarks,
    same_search,
    share,
    standing,
    summary,
    time_words,
)

_MARKS = {Kind.UNIT: Mark.UNIT, Kind.CLASH: Mark.CLASH, Kind.UNSURE: Mark.UNSURE}


class SurveyStep(Step):
    """What to search, the map filling up, what was found."""

    TITLE = StepName.SURVEY
    HELP = """\
Searches the pair for units: every address asked for, at every line setting asked for, the most \
likely first.

  How many    units are connected, if you know. The survey stops once it has found so \
many, which is no proof that there are no others; it says what was not tested. It is also the only \
way to notice two identical units at one address.
  Settings    "common" for the usual 32 and those of stored profiles, or a list: 9600-8N1,19200-8E1
  Addresses   1-247, or a set: 1,5,10-20
  Also        registers that silent addresses are asked for as well, by function 1 to 4 and \
zero-based register: 3:40001,4:0x1F40. Coils, inputs and registers of profiles, those of the plan \
first, are asked for anyway, last of all; "k" leaves them out then.

Several settings are searched after a quick look at each: function 17 (a read) to every address, \
without waiting for replies. Units heard are looked at closely; it proves no absence. "k" leaves \
out what is left of it.

"-" on the map means no reply. It does not prove that no unit is there: a unit without power, on \
swapped wires or at other line settings is silent too. "X" is two or more units at one \
address: sort them out in step 5.

First units are looked for where they are likeliest. When that is through, the step says how many \
were found and what it costs to be sure that there are no others. The search goes on by itself; k \
makes it shorter.

A unit that says what it is is matched against the profiles as it is found (e shows by what). \
The others are identified, and all values read, when the search is over.

The survey goes on while you look at other steps. Identify (4) may read what was found so far: \
the survey is held for as long and then goes on by itself.

With a number expected, the first time said is for units that lie evenly among the addresses, the \
second for all that is asked if one of them is not found."""
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.SURVEY])]

    @dataclass
    class Advanced(Message):
        """The survey went on."""

        events: tuple[Event, ...]

    @dataclass
    class MasterHeard(Message):
        """Another master talks; the survey waits for an answer."""

        words: str

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._run: RecordedSurvey | None = None
        self._under_way = False
        self._despite_master: PendingAnswer[bool] = PendingAnswer()
        self._paused = False
        self._stopping = False
        self._lent = False
        self._only_further = False
        self._found: dict[Place, Finding] = {}
        self._asked: dict[LineSettings, set[int]] = {}
        self._asking: WireStep | Identifying | None = None
        self._faults: list[str] = []
        self._first_pass: FirstPassOver | None = None

    def compose(self) -> ComposeResult:
        """Form, progress, map beside findings, legend, what is asked."""
        with Horizontal(classes="row"):
            yield Static("How many", classes="label")
            yield Input(
                "", id="survey-expect", compact=True, type="integer", max_length=3, placeholder="?"
            )
            yield Static(" Settings", classes="label")
            yield Input("common", id="survey-settings", compact=True)
            yield Static(" Addresses", classes="label")
            yield Input("1-247", id="survey-addresses", compact=True)
            yield Static(" Also", classes="label")
            yield Input("", id="survey-also", compact=True, placeholder="3:40001")
        yield Static(id="survey-progress")
        with Horizontal(id="survey-found"):
            yield AddressMap(id="map")
            yield RowTable(
                (
                    Column("Unit", right=True),
                    Column("Settings"),
                    Column("Finding", first_word=True, brief="F."),
                ),
                id="findings",
            )
        yield Static(Text(LEGEND), id="legend")
        yield Static(id="survey-cursor", classes="said")
        yield Static(id="survey-first-pass", classes="said")
        yield Static(id="survey-asking", classes="said")

    def first_focus(self) -> Widget:
        """The map."""
        return self.query_one(AddressMap)

    def job_changed(self) -> None:
        """Show the job's last survey, unless one is running."""
        if self._under_way:
            return
        survey = KeptSurvey.latest(self.session.job)
        self._show_first_pass("")
        self._show_cursor()
        if survey is None:
            words = "First type how many are connected, if known (Tab)."
            self.stand(self.state, words, START)
            self._show_estimate()
            return
        self._found = {finding.place: finding for finding in survey.findings}
        self.query_one(AddressMap).show(
            ((a, Mark.SILENT) for a in asked_everywhere(survey)), clear=True
        )
        self._show_found()
        self._say("#survey-progress", Text(summary(survey)))
        self._say("#survey-asking", Text(remarks(survey)))
        self.stand(*standing(survey, self.session.job.units()))

    # -- starting

    @on(Input.Changed)
    def _typed(self) -> None:
        if not self._under_way:
            self._show_estimate()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.action_start()

    def action_start(self) -> None:
        """Start the survey as the form says."""
        try:
            search = self._search()
        except UsageError as error:
            self._say_wrong(error)
            return

        latest = KeptSurvey.latest(self.session.job)
        if latest is None or not latest.can_go_on or not same_search(latest, search):
            self._begin(search, resume=False)
            return

        def decide(resume: bool) -> None:
            self._begin(search, resume=resume)

        self.app.push_screen(go_on_with(latest), if_given(decide))

    @property
    def cut_off(self) -> bool:
        """Whether the last survey came to no end."""
        latest = None if self._under_way else KeptSurvey.latest(self.session.job)
        return latest is not None and latest.cut_off

    def action_go_on(self) -> None:
        """Go on with the last survey, whatever the form says now."""
        latest = KeptSurvey.latest(self.session.job)
        if latest is not None and latest.can_go_on and not self._under_way:
            search = SearchRange(latest.settings, latest.addresses, latest.expect, latest.also)
            self._begin(search, resume=True)

    def _begin(self, search: SearchRange, *, resume: bool) -> None:
        latest = KeptSurvey.latest(self.session.job) if resume else None
        answer = self._despite_master = PendingAnswer()
        self._paused = self._stopping = self._only_further = False
        self._first_pass = None

        def work() -> None:
            run = self.session.survey(
                search.settings,
                search.addresses,
                expect=search.expect,
                also=search.also,
                resume=resume,
            )
            self._run = run
            if self._paused:
                run.pause()
            if self._stopping:
                run.cancel()
            for events in batches(self._answering(run, answer), at_once=run.is_paused):
                self.post_message(self.Advanced(events))

        if self.on_line("the survey", work):
            self._under_way = True
            if latest is None:
                self._found.clear()
            self._asked = latest.asked_at if latest else {}
            self._faults.clear()
            self._show_found()
            self.query_one(AddressMap).show((), clear=True)
            self.focus()
            self.state = StepState.DOING
            self.progress = "0 %"
            self.next_words = course()

    def _answering(self, run: RecordedSurvey, answer: PendingAnswer[bool]) -> Iterator[Event]:
        """The events of `run`; where another master is heard, the run waits for the
        answer."""
        for event in run:
            yield event
            if isinstance(event, OtherMasterHeard):
                self.post_message(self.MasterHeard(event.words))
                if answer.wait():
                    run.go_on()

    @on(MasterHeard)
    def _master_heard(self, event: MasterHeard) -> None:
        def decide(go_on: bool | None) -> None:
            self._despite_master.give(bool(go_on))

        self.app.push_screen(despite_master(event.words), decide)

    # -- while it runs

    def action_pause(self) -> None:
        """Pause or go on."""
        if self._under_way:
            self._paused = not self._paused
            self._steer()

    def action_skip(self) -> None:
        """Search less; what is left out counts as not tested."""
        if self._run is None or not self._under_way:
            return
        offered = less_to_search(self._phase, first_pass=self._first_pass, found=bool(self._found))
        if len(offered) == 1:
            self._leave_out(offered[0].value)
        else:
            self.app.push_screen(ChoiceDialog("Search less", offered), if_given(self._leave_out))

    @property
    def _phase(self) -> Phase:
        if isinstance(self._asking, LookingQuickly):
            return Phase.QUICK_LOOK
        return Phase.FURTHER if self._only_further else Phase.SETTING

    def _leave_out(self, what: Less) -> None:
        run = self._run
        if run is None:
            return
        match what:
            case Less.UNDER_WAY:
                run.skip_setting()
            case Less.WHERE_NOTHING_WAS_FOUND:
                run.only_where_found()
            case Less.THE_REST:
                run.stop_here()
        self._show_first_pass("")

    def action_stop(self) -> None:
        """Stop; what was found is kept."""
        if self._under_way:
            self.stop_work()

    def stop_work(self) -> None:
        """End before the next exchange."""
        self._stopping = True
        self._steer()
        self._despite_master.leave(False)

    def on_unmount(self) -> None:
        """A held survey would never be let go on."""
        self._lent = False
        self.stop_work()

    def lend_line(self) -> Callable[[], None] | None:
        """Hold the survey while units that it has found are read."""
        run = self._run
        if run is None or self._stopping:
            return None
        self._lent = True
        self._steer()
        return run.wait_until_paused

    def take_line_back(self) -> None:
        """Go on, unless the survey was paused or stopped meanwhile."""
        self._lent = False
        self._steer()

    def _steer(self) -> None:
        """Tell the survey what it is to do, and the technician what it does."""
        run = self._run
        if run is not None:
            if self._lent or (self._paused and not self._stopping):
                run.pause()
            elif self._stopping:
                run.cancel()
            else:
                run.unpause()
        if not self._stopping and (self._paused or self._lent):
            self.progress = "paused" if self._paused else "held"
        self._show_course()

    def _show_course(self) -> None:
        self.next_words = course(
            paused=self._paused,
            lent=self._lent,
            stopping=self._stopping,
            only_further=self._only_further,
            first_pass_over=self._first_pass is not None,
        )

    def work_ended(self) -> None:
        """The survey is over."""
        self._run = None
        self._under_way = self._lent = False
        self.progress = ""
        self.post_message(self.JobChanged())

    @on(Advanced)
    def _advanced(self, event: Advanced) -> None:
        progress = None
        for one in event.events:
            match one:
                case Listening() | LookingQuickly() | Identifying():
                    self._asking = one
                case Asking():
                    self._asking = one
                    self._asked.setdefault(one.settings, set()).add(one.address)
                case Found():
                    key = one.finding.place
                    self._found[key] = one.finding
                    self._show_found()
                    self.post_message(self.JobChanged())
                case Progress():
                    progress = one
                    if one.only_further != self._only_further:
                        self._only_further = one.only_further
                        self._show_course()
                case FirstPassOver():
                    self._first_pass = one
                    self._show_first_pass(first_pass_words(one))
                    self._show_course()
                case Fault():
                    self._faults.append(one.words)
                case Started() | OtherMasterHeard() | Finished():
                    pass
        self._show_asking()
        if progress is not None and not (self._paused or self._lent):
            self._show_progress(progress)

    # -- showing

    def action_evidence(self) -> None:
        """Show what the finding under the cursor rests on."""
        address = self.query_one(AddressMap).cursor
        found = [
            evidence_words(finding)
            for key, finding in sorted(self._found.items())
            if key.address == address
        ]
        nothing = nothing_found(
            self.query_one(AddressMap).mark(address).word, KeptSurvey.latest(self.session.job)
        )
        self.wizard.explain(
            f"Address {both_forms(address)}: evidence", "\n\n".join(found) or nothing
        )

    @on(AddressMap.Moved)
    def _cursor_moved(self) -> None:
        self._show_cursor()

    @on(RowTable.Highlighted, "#findings")
    def _finding_highlighted(self) -> None:
        place = self._findings.chosen
        if self._findings.has_focus and place is not None:
            self.query_one(AddressMap).cursor = place.address

    @on(AddressMap.Chosen)
    @on(RowTable.Selected, "#findings")
    def _chosen(self) -> None:
        self.action_evidence()

    @property
    def _findings(self) -> RowTable[Place]:
        return self.query_one("#findings", RowTable)

    def _search(self) -> SearchRange:
        return read_search(
            self.query_one("#survey-settings", Input).value,
            self.query_one("#survey-addresses", Input).value,
            self.query_one("#survey-expect", Input).value,
            self.query_one("#survey-also", Input).value,
            self.session.likely_profiles,
        )

    def _show_estimate(self) -> None:
        try:
            search = self._search()
        except UsageError as error:
            self._say_wrong(error)
            return
        self._say(
            "#survey-progress",
            Text(f"Will ask {search.words}, {search.estimate.figure(time_words)}."),
        )
        self._say("#survey-asking", Text(f"That is {search.estimate.basis}."))

    def _say_wrong(self, error: UsageError) -> None:
        self._say("#survey-progress", Text(f"✖ {error.what}"))
        self._say("#survey-asking", Text(error.todo))

    def _show_progress(self, progress: Progress) -> None:
        self.progress = f"{100 * share(progress):.0f} %"
        self._say("#survey-progress", Text(progress_words(progress, len(self._found))))

    def _show_first_pass(self, words: str) -> None:
        self._say("#survey-first-pass", Text(words, style="bold"))
        self.query_one("#survey-first-pass").display = bool(words)

    def _show_asking(self) -> None:
        asking = self._asking
        if asking is None:
            return
        self._say("#survey-asking", Text(asking_words(asking, self._faults)))
        if not isinstance(asking, Asking):
            return
        asked = self._asked.get(asking.settings, set())
        marks = dict.fromkeys(asked, Mark.SILENT) | {asking.address: Mark.ASKING}
        self.query_one(AddressMap).show((marks | self._found_marks()).items(), clear=True)

    def _found_marks(self) -> dict[int, Mark]:
        return {place.address: _MARKS[found.kind] for place, found in self._found.items()}

    def _show_found(self) -> None:
        self.query_one(AddressMap).show(self._found_marks().items())
        rows = (
            (
                place,
                (str(place.address), str(place.settings), self._what(found)),
            )
            for place, found in sorted(self._found.items())
        )
        self._findings.fill(rows)
        self._show_cursor()

    def _what(self, found: Finding) -> Text:
        """What a unit is, where it is known; else what was found."""
        unit = self.session.job.unit(found.place)
        if unit is None or found.kind is not Kind.UNIT:
            return signed(self, OF_KIND[found.kind])
        return signed(self, Sign.UNIT, model_words(unit, self.session.store.profiles))

    def _show_cursor(self) -> None:
        addresses = self.query_one(AddressMap)
        at = addresses.cursor
        text = Text(f"Address {both_forms(at)}: ", style="bold")
        found = [
            (place.settings, one)
            for place, one in sorted(self._found.items())
            if place.address == at
        ]
        if not found:
            text.append(addresses.mark(at).word, style="not bold")
        for settings, finding in found:
            text.append_text(signed(self, OF_KIND[finding.kind])).append(
                f" at {settings}  ", style="not bold"
            )
            said = filter(None, (kind_of_unit(finding), *finding.notes[:1]))
            text.append("  ".join(said), style="not bold")
        self._say("#survey-cursor", text)

    def _say(self, where: str, words: Text) -> None:
        self.query_one(where, Static).update(words)

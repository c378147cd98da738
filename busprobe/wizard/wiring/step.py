"""Wiring: is the pair sound?  Cautions, meter readings with verdicts, what was heard, and the
hunt."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import partial
from threading import Event as Cancel
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import PortError
from busprobe.line.exchange import Waits
from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import format_addresses, parse_addresses
from busprobe.session.wiring_record import HuntLog, failure_patterns
from busprobe.wiring.calculations import Calculated, known_inputs
from busprobe.wiring.causes import RecordedObservation
from busprobe.wiring.cautions import CAUTIONS, acknowledgement, is_acknowledged
from busprobe.wiring.hunt import WAITS, HuntEvent, PortEvent, PortLost
from busprobe.wiring.listening import RecordedListening, read_listening
from busprobe.wiring.meter import Level, Measurement
from busprobe.wiring.record import WiringRecord, read_record
from busprobe.wiring.wire_names import EXPLANATION, EXPLANATION_SOURCE
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.event_batches import batches
from busprobe.wizard.common.form import Field, Form, only
from busprobe.wizard.common.question import Answer, Failure, Notice, Question, if_given
from busprobe.wizard.common.signs import toned
from busprobe.wizard.common.step import Step, StepName
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.wiring import words
from busprobe.wizard.wiring.calculations_screen import CalculationsScreen
from busprobe.wizard.wiring.hunt_screen import HuntScreen
from busprobe.wizard.wiring.meter_fields import measured_kinds
from busprobe.wizard.wiring.meter_form import MeterForm

LISTEN_SECONDS = 5.0
"""How long the pair is listened to before units are asked (common practice: 5 to 10 s)."""

_PATIENCE = 2.0
"""Times the longest reply time of a known unit that the hunt waits (common practice: 1.5 to 2)."""

_FORM_KEY = "wizard.meter"
"""Where the job keeps what was typed."""


class WiringStep(Step):
    """Cautions, the meter form, what was heard."""

    class PairHeard(Message):
        """The pair was listened to."""

    TITLE = StepName.WIRING
    HELP = f"""\
Prove the pair before you blame a unit. Type what the multimeter shows; leave empty what was not \
measured. Each reading is judged as you type; the lines below the form say what it fits, what to \
do, and what the limits rest on. A reading goes into the job as you leave its field.

Listening (l) hears what is on the bus without a request, then asks the units that are known \
(or unit 1) once, and says what that fits. Evidence (e) shows it again, and what the failures of \
surveys and endurance runs have in common by place, baud rate and time. A computer cannot see \
voltages: where two causes fit, both are named.

Hunt (h) fills the screen and keeps asking while your hands are at the terminals; it changes and \
rings the moment a unit starts or stops answering. There a digit notes which pair you touched, \
Space whatever you write.

Calculate (c): bias, loads and repeaters, stubs, lengths, voltage drop, times and bits; F2 \
keeps a result in the job.

{EXPLANATION}
({EXPLANATION_SOURCE})"""
    BINDINGS: ClassVar[list[BindingType]] = [
        *bindings(OF_STEP[StepName.WIRING]),
        Binding("down", "app.focus_next", show=False, tooltip="next field"),
        Binding("up", "app.focus_previous", show=False, tooltip="field before"),
    ]

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._restored = False
        self._measured: set[Measurement] = set()
        self._cancel = Cancel()
        self._record = WiringRecord()
        self._listening: RecordedListening | None = None
        self._patterns: Sequence[RecordedObservation] = ()

    def compose(self) -> ComposeResult:
        """Cautions line, form, detail, what was heard."""
        yield Static(id="cautions-said")
        yield MeterForm(Static(id="heard", classes="said gap"))

    def first_focus(self) -> Widget:
        """The step itself, so that its keys work; Tab goes to the form."""
        return self

    def arrive(self) -> None:
        """Show the cautions once a job, before anything else."""
        if not self._acknowledged and self.app.screen is self.screen:
            self.action_cautions()

    def job_changed(self) -> None:
        """Show what the job has of this step."""
        self._read()
        if not self._restored:
            self._restored = True
            self._form.fill(self.session.job.state(_FORM_KEY, dict[str, str]) or {})
            self._measured = measured_kinds(self._form.judged)
        self._show()

    # -- the form

    @on(Input.Changed)
    def _typed(self) -> None:
        self._keep_form()
        self._show()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self.screen.focus_next()  # leaving the field keeps what was typed

    def on_descendant_focus(self) -> None:
        """Show the detail of the field that is typed in."""
        self._form.turn_to_focus()
        self._show()

    def on_descendant_blur(self) -> None:
        """Record how what was typed is judged."""
        self._keep()

    def action_letters(self) -> None:
        """Say how the terminals are marked, which decides what the sign of the idle voltage
        means."""
        self._form.turn_labels()
        self._keep_form()
        self._keep()
        self._show()

    def _keep_form(self) -> None:
        """Keep what is typed, so that nothing is lost on a crash."""
        self.session.job.set_state(_FORM_KEY, self._form.typed)

    @property
    def _form(self) -> MeterForm:
        return self.query_one(MeterForm)

    def _keep(self) -> None:
        """Record what has changed in the form's judgements; what was emptied counts as not
        measured."""
        judged = self._form.judged
        measured = measured_kinds(judged)
        recorded = self._latest_record().judgements
        changed = [
            judgement
            for judgement in judged.by_field.values()
            if (judgement.measurement in measured and judgement not in recorded)
            or judgement.measurement in self._measured - measured
        ]
        self._measured = measured
        if changed:
            self.session.keep_wiring(changed)

    # -- cautions

    @property
    def _acknowledged(self) -> bool:
        latest = self.session.job.latest("cautions")
        return is_acknowledged(latest.document if latest is not None else None)

    def action_cautions(self) -> None:
        """Show the cautions; that they were read goes into the job."""

        def keep(read: bool | None) -> None:
            if read and not self._acknowledged:
                by = self.session.job.meta.tester
                self.session.job.record("cautions", acknowledgement(by, datetime.now(UTC)))
            self._show()

        body = Text()
        for number, caution in enumerate(CAUTIONS, start=1):
            body.append(f"{number}. ", style="bold").append(f"{caution.text}\n")
        title = "! Before you touch a terminal"
        answers = (Answer("l", "Later", False), Answer("r", "I have read this", True))
        self.app.push_screen(Question(title, body, answers, grave=True), keep)

    # -- listening and hunting

    def action_listen(self) -> None:
        """Listen, then ask the known units once."""

        def work() -> None:
            self.session.listen_and_ask(LISTEN_SECONDS)
            self.post_message(self.PairHeard())

        if self.on_line("listening", work):
            self.query_one("#heard", Static).update(Text(f"Listening for {LISTEN_SECONDS:.0f} s …"))

    def on_wiring_step_pair_heard(self) -> None:
        """Show what was heard at once, unless somebody looks at something else by now."""
        self.post_message(self.JobChanged())
        if self.display and self.app.screen is self.screen:
            self.call_later(self.action_causes)

    def work_ended(self) -> None:
        """Show what the job has, whatever came of the work."""
        self.post_message(self.JobChanged())

    def action_causes(self) -> None:
        """Show all that was heard and what failures say, with causes and what to do."""
        self._read()
        if self._listening is None and not self._patterns:
            self.app.push_screen(Notice("What was heard", "Not listened yet: press l."))
            return
        self.app.push_screen(Notice("What was heard", self._everything()))

    def _read(self) -> None:
        """What the job knows of the pair."""
        self._record = self._latest_record()
        heard = (
            read_listening(record.document) for record in self.session.job.records("listening")
        )
        self._listening = next((each for each in reversed([*heard]) if each is not None), None)
        self._patterns = [pattern.recorded for pattern in failure_patterns(self.session.job)]

    def _latest_record(self) -> WiringRecord:
        latest = self.session.job.latest("wiring")
        return read_record(latest.document if latest is not None else None)

    def _everything(self) -> Text:
        text = Text()
        if self._listening is not None:
            text.append(f"{words.heard_words(self._listening)}\n")
        if self._record.observations:
            text.append_text(words.observation_words(self._record.observations))
        elif self._record.listened:
            text.append_text(toned(self, f"✓ {words.NOTHING_ODD}.\n", "good"))
        if self._patterns:
            text.append("\nFailures of the last surveys and endurance runs:\n", style="bold")
            text.append_text(words.observation_words(self._patterns))
        if self._listening is not None and (times := words.turnaround_words(self._listening.asked)):
            text.append(f"\n{times}\n")
        return text.append(
            "\nA computer cannot see voltages; what two causes fit, one more look has to tell."
        )

    def action_calculations(self) -> None:
        """The calculations on a screen of their own."""
        settings = self.session.line.settings if self.session.is_open else LineSettings()
        units = max(len(self.session.job.units()), len(self.session.plan))

        def keep(result: Calculated) -> None:
            self.session.keep_wiring(calculations=(result,))

        self.app.push_screen(CalculationsScreen(known_inputs(settings, units), keep))

    def action_hunt(self) -> None:
        """Ask which addresses, then hunt on the whole screen."""
        try:
            settings = self.session.line.settings
        except PortError as error:
            self.app.push_screen(Failure(error))
            return
        expected, elsewhere = self._expected(settings)
        proposal = format_addresses(expected) or "1-10"
        explained = (
            "The addresses to keep asking. Few are better: each absent one costs a tenth of a"
            " second a round."
        )
        if elsewhere:
            explained += (
                f" Not heard at {settings}, since their line settings differ:"
                f" {format_addresses(elsewhere)}."
            )
        if self._listening is not None and self._listening.other_master:
            explained += (
                " Another master was heard: its exchanges and the hunt's will disturb each other."
            )

        fields = (Field("addresses", "Addresses", proposal, read=parse_addresses),)
        form = Form("Hunt", fields, make=only, words=explained, keep="Start")
        self.app.push_screen(form, if_given(partial(self._hunt, settings)))

    def _hunt(self, settings: LineSettings, addresses: tuple[int, ...]) -> None:
        self._cancel = cancel = Cancel()
        screen = HuntScreen(
            addresses, settings, cancel, HuntLog(self.session.job, format_addresses(addresses)).keep
        )
        waits = Waits(reply=max(WAITS.reply, _PATIENCE * self._slowest))

        def work() -> None:
            lost = False

            def told() -> Iterator[HuntEvent | PortEvent]:
                nonlocal lost
                for event in self.session.hunt(addresses, cancel, waits):
                    lost = isinstance(event, PortLost)
                    yield event

            for events in batches(told(), at_once=lambda: lost):  # nothing follows for a while
                screen.post_message(HuntScreen.Hunted(events))

        if self.on_line("the hunt", work):
            self.app.push_screen(screen)

    def _expected(self, settings: LineSettings) -> tuple[set[int], set[int]]:
        """Addresses of units that were found at `settings` or are planned, and of those found
        elsewhere alone."""
        found = self.session.job.units()
        here = {unit.address for unit in found if unit.settings == settings}
        elsewhere = {unit.address for unit in found} - here
        planned = {
            planned.address for planned in self.session.plan if planned.settings in (None, settings)
        }
        return here | (planned - elsewhere), elsewhere

    @property
    def _slowest(self) -> float:
        """Seconds that the slowest known unit has taken to reply."""
        return (
            max((unit.latency.maximum_ms or 0.0 for unit in self.session.job.units()), default=0.0)
            / 1000
        )

    def stop_work(self) -> None:
        """End the hunt, if there is one."""
        self._cancel.set()

    # -- showing

    def _show(self) -> None:
        judged = self._form.judged
        recorded = {each.measurement: each for each in self._latest_record().judgements}
        self._form.show(recorded)
        acknowledged = self._acknowledged
        failing = bool(self._record.observations or self._patterns)
        self.solves = (
            (Verb.CAUTIONS,) if not acknowledged else (Verb.EVIDENCE, Verb.HUNT) if failing else ()
        )
        self.query_one("#cautions-said", Static).update(
            toned(self, "✓ Cautions read", "good")
            if acknowledged
            else toned(self, "! Cautions not read yet: press !", "attention")
        )
        self.query_one("#heard", Static).update(self._in_short())
        self.stand(
            *words.standing(
                [
                    recorded.get(each.measurement, each).level
                    if each.level is Level.NOT_MEASURED
                    else each.level
                    for each in judged.by_field.values()
                ],
                acknowledged=acknowledged,
                mistakes=bool(judged.mistakes),
                failing=failing,
                listened=self._record.listened,
            )
        )

    def _in_short(self) -> Text:
        """What was heard and what fails, a line or two each."""
        if not self._record.listened:
            text = Text("Not listened to yet (l).\n")
        elif self._record.observations:
            text = words.in_short(self._record.observations)
        else:
            seconds = self._listening.seconds if self._listening is not None else 0.0
            text = toned(self, f"✓ {words.NOTHING_ODD}", "good").append(
                f" in {seconds:.0f} s: no noise, no other master.\n", style="not bold"
            )
        return text.append_text(words.in_short(self._patterns))

"""Wiring: is the pair sound?  Cautions, meter readings with verdicts, what was heard, and the hunt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from threading import Event as Cancel
from typing import Any, ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import UsageError
from busprobe.modbus.addresses import parse_addresses
from busprobe.wiring.cautions import CAUTIONS, acknowledgement, is_acknowledged
from busprobe.wiring.hunt import hunt
from busprobe.wiring.meter import Level
from busprobe.wiring.naming import EXPLANATION, EXPLANATION_SOURCE, Labels
from busprobe.wiring.record import LISTENING
from busprobe.wizard.batch import batches
from busprobe.wizard.dialogs.caution import Caution
from busprobe.wizard.dialogs.form import Field, Form
from busprobe.wizard.dialogs.notice import Failure
from busprobe.wizard.hunt_screen import HuntScreen
from busprobe.wizard.meter_form import FIELDS, Judged, judge_form
from busprobe.wizard.signs import signed, toned
from busprobe.wizard.step import Step, StepState
from busprobe.wizard.widgets.reading_row import ReadingRow

LISTEN_SECONDS = 5.0
"""How long the pair is listened to before units are asked (common practice: 5 to 10 s)."""

_FORM_KEY = "wizard.meter"
"""Where the job keeps what was typed."""


class WiringStep(Step):
    """Cautions, the meter form, what was heard."""

    TITLE = "Wiring"
    HELP = f"""\
Prove the pair before you blame a unit. Type what the multimeter shows; leave empty what was not measured. Each \
reading is judged as you type; the lines below the form say what it fits, what to do, and what the limits rest on. \
Enter keeps the readings in the job.

Listening (l) hears what the pair carries with nobody asked, then asks the units that are known (or unit 1) once, \
and says what that fits. A computer cannot see voltages: where two causes fit, both are named.

Hunt (h) fills the screen and keeps asking while your hands are at the terminals; it changes and rings the moment a \
unit starts or stops answering.

{EXPLANATION}
({EXPLANATION_SOURCE})"""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("l", "listen", "Listen", tooltip="listen to the pair, then ask the known units once"),
        Binding("h", "hunt", "Hunt", tooltip="full screen: see the moment a unit starts or stops answering"),
        Binding("a", "letters", "A/B marks", tooltip="my terminals are marked A and B, or D1/D0 or +/-"),
        Binding("c", "cautions", "Cautions"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._field = FIELDS[0]
        self._labels = Labels.SIGN
        self._restored = False
        self._cancel = Cancel()

    def compose(self) -> ComposeResult:
        """Cautions line, form, detail, what was heard."""
        yield Static(id="cautions-said")
        for field in FIELDS:
            yield ReadingRow(field)
        yield Static(id="labels")
        yield Static(id="meter-detail", classes="said gap")
        yield Static(id="heard", classes="said gap")

    def first_focus(self) -> Widget:
        """The step itself, so that its keys work; Tab goes to the form."""
        return self

    def arrive(self) -> None:
        """Show the cautions once a job, before anything else."""
        if not self._acknowledged and self.app.screen is self.screen:
            self.action_cautions()

    def job_changed(self) -> None:
        """Show what the job has of this step."""
        if not self._restored:
            self._restored = True
            kept = self.session.job.state(_FORM_KEY) or {}
            for row in self.query(ReadingRow):
                row.value = str(kept.get(row.field.name, ""))
            self._labels = Labels(kept.get("labels", Labels.SIGN))
        self._show()

    # -- the form ------------------------------------------------------------------------------------------

    @on(Input.Changed)
    def _typed(self) -> None:
        self._show()

    @on(Input.Submitted)
    def _submitted(self) -> None:
        self._keep()
        self.screen.focus_next()

    def on_descendant_focus(self) -> None:
        """Show the detail of the field that is typed in."""
        for row in self.query(ReadingRow):
            if row.has_focus_within:
                self._field = row.field
                self._show()

    def on_descendant_blur(self) -> None:
        """Keep what was typed, so that nothing is lost on a crash."""
        self._keep_form()

    def action_letters(self) -> None:
        """Say how the terminals are marked, which decides what the sign of the idle voltage means."""
        self._labels = Labels.SIGN if self._labels is Labels.LETTERS else Labels.LETTERS
        self._keep_form()
        self._show()

    def _keep_form(self) -> None:
        self.session.job.set_state(_FORM_KEY, {**self._form, "labels": str(self._labels)})

    @property
    def _form(self) -> dict[str, str]:
        return {row.field.name: row.value for row in self.query(ReadingRow)}

    def _judged(self) -> Judged:
        return judge_form(self._form, self._labels)

    def _keep(self) -> None:
        """Record the judgements and what was heard."""
        self.session.keep_wiring(tuple(self._judged().by_field.values()))
        self._show()

    # -- cautions ------------------------------------------------------------------------------------------

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

        self.app.push_screen(Caution([caution.text for caution in CAUTIONS]), keep)

    # -- listening and hunting -----------------------------------------------------------------------------

    def action_listen(self) -> None:
        """Listen, then ask the known units once."""
        judgements = tuple(self._judged().by_field.values())

        def work() -> None:
            self.session.hear_pair(LISTEN_SECONDS, judgements=judgements)

        if self.on_line("listening", work):
            self.query_one("#heard", Static).update(Text(f"Listening for {LISTEN_SECONDS:.0f} s …"))

    def work_ended(self) -> None:
        """Show what was heard."""
        self.post_message(self.JobChanged())

    @property
    def _heard(self) -> Sequence[Mapping[str, Any]] | None:
        """What was observed when the pair was last listened to, as the job has it; None if it never was."""
        kept = self.session.job.latest("wiring")
        if kept is None or LISTENING in kept.document.get("skipped", ()):
            return None
        observations: Sequence[Mapping[str, Any]] = kept.document.get("observations", ())
        return observations

    def action_hunt(self) -> None:
        """Ask which addresses, then hunt on the whole screen."""
        units = self.session.job.units()
        proposal = ",".join(dict.fromkeys(str(unit.address) for unit in units)) or "1-10"
        words = "The addresses to keep asking. Few are better: each absent one costs a tenth of a second a round."

        def begin(given: Mapping[str, str] | None) -> None:
            if given is not None:
                self._hunt(given["addresses"])

        self.app.push_screen(Form("Hunt", (Field("addresses", "Addresses", proposal),), words=words), begin)

    def _hunt(self, text: str) -> None:
        try:
            addresses = parse_addresses(text)
        except UsageError as error:
            self.app.push_screen(Failure(error))
            return
        self._cancel = Cancel()
        screen = HuntScreen(addresses, self._cancel)

        def work() -> None:
            for events in batches(hunt(self.session.line, addresses, self._cancel)):
                screen.post_message(HuntScreen.Hunted(events))

        def ended(_: None) -> None:
            if screen.log_lines:
                self.session.job.record("hunt", {"addresses": text, "log": list(reversed(screen.log_lines))})

        if self.on_line("the hunt", work):
            self.app.push_screen(screen, ended)

    def stop_work(self) -> None:
        """End the hunt, if there is one."""
        self._cancel.set()

    # -- showing -------------------------------------------------------------------------------------------

    def _show(self) -> None:
        judged = self._judged()
        for row in self.query(ReadingRow):
            judgement = judged.by_field.get(row.field.name)
            if row.field.name in judged.mistakes:
                row.say(toned(self, "✖ not a reading", "wrong"))
            elif judgement is None:
                row.say(Text())
            else:
                words = "" if judgement.level is Level.NOT_MEASURED else f"  {judgement.words}"
                row.say(signed(self, judgement.level).append(words, style="not bold"))
        marks = (("D1/D0 or +/-", Labels.SIGN), ("A and B", Labels.LETTERS))
        chosen = "   ".join(f"({'x' if labels is self._labels else ' '}) {words}" for words, labels in marks)
        self.query_one("#labels", Static).update(Text(f"Terminals marked   {chosen}"))
        acknowledged = self._acknowledged
        self.query_one("#cautions-said", Static).update(
            toned(self, "✓ Cautions read", "good")
            if acknowledged
            else toned(self, "! Cautions not read yet: press c", "attention")
        )
        self.query_one("#meter-detail", Static).update(self._detail(judged))
        heard = self._heard
        self.query_one("#heard", Static).update(self._heard_words(heard))
        self._show_state(judged, acknowledged, heard)

    def _detail(self, judged: Judged) -> Text:
        if self._field.name in judged.mistakes:
            return Text(judged.mistakes[self._field.name])
        judgement = judged.by_field[self._field.judged_at or self._field.name]
        if judgement.level is Level.NOT_MEASURED:
            return Text(f"{self._field.label.strip()}: {self._field.how}")
        text = Text(judgement.words)
        if judgement.action:
            text.append("\nNext: ", style="bold").append(judgement.action)
        if judgement.limits:
            text.append(f"\nLimits: {judgement.limits}. {judgement.source}.", style="dim")
        return text

    def _heard_words(self, observations: Sequence[Mapping[str, Any]] | None) -> Text:
        if observations is None:
            return Text("Not listened to yet (l).")
        if not observations:
            return toned(self, "✓ Nothing odd was heard", "good").append(
                ": no noise, no other master, and what was asked was answered.", style="not bold"
            )
        text = Text()
        for observation in observations:
            text.append(f"! {observation['seen']}\n", style="bold")
            text.append("  It fits only this:\n" if observation["certain"] else "  It fits, likeliest first:\n")
            for hint in observation["hints"]:
                text.append(f"  - {hint['cause']}. {hint['action']}\n")
        return text

    def _show_state(self, judged: Judged, acknowledged: bool, heard: Sequence[Mapping[str, Any]] | None) -> None:
        levels = [judgement.level for judgement in judged.by_field.values()]
        odd = any(level in (Level.ATTENTION, Level.WRONG) for level in levels) or bool(heard)
        measured = any(level is not Level.NOT_MEASURED for level in levels)
        if not acknowledged:
            self.next_words = "Read the cautions: press c."
        elif odd or judged.mistakes:
            self.next_words = "See to what is marked, measure again; h hunts a loose terminal."
        elif not measured:
            self.next_words = "Tab to the form and type what the meter shows, or press l to listen."
        else:
            self.next_words = "Press l to listen, then go on to Survey (3)."
        if odd:
            self.state = StepState.CHECK
        elif measured and heard is not None and Level.NOT_MEASURED not in levels:
            self.state = StepState.DONE
        elif measured or heard is not None:
            self.state = StepState.DOING
        else:
            self.state = StepState.TO_DO

"""Port: which adapter, does it open, does it echo, is another master already talking?"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import ClassVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.widgets import Input, Static

from busprobe.errors import BusprobeError
from busprobe.line.echo import Echo
from busprobe.line.exchange import Waits
from busprobe.line.ports import ports
from busprobe.line.settings import LineSettings
from busprobe.modbus.requests import Function, read_registers
from busprobe.session.bus_kind import is_virtual, refuse_other_kind
from busprobe.session.connect import virtual_segments
from busprobe.survey.listen import Overheard
from busprobe.wizard.common.actions import OF_STEP, bindings
from busprobe.wizard.common.beside import Beside
from busprobe.wizard.common.choice_field import ChoiceField
from busprobe.wizard.common.columns import Column
from busprobe.wizard.common.question import Answer, Question, if_yes
from busprobe.wizard.common.row_table import RowTable
from busprobe.wizard.common.settings_choice import offered_settings, other_settings
from busprobe.wizard.common.signs import toned
from busprobe.wizard.common.step import Proposal, Step, StepName, StepState, go_to

LISTEN_SECONDS = 3.0
"""How long to listen after opening: a master that polls does so at least every few seconds (common
practice)."""

_SELDOM_GIVEN = 246
"""An address that units hardly ever have: one read of it shows whether the adapter echoes (common
practice)."""


_HEADS = {
    None: "Adapters on this computer, and practice segments",
    False: "Adapters on this computer",
    True: "Practice segments. For a real bus: busprobe wizard --job NAME.busjob",
}
"""What the list has, by the kind of the job."""


class PortStep(Step):
    """Choose a port, open it, listen before anything is sent."""

    TITLE = StepName.PORT
    HELP = """\
Choose the adapter with the arrow keys and press Enter, or type a port:
  a device path      /dev/ttyUSB0
  a COM port         COM7
  a serial server    socket://192.168.1.50:4001   rfc2217://host:port
  a practice bus     virtual:site   (nothing real is connected)

A job is for practice or for a real bus, from its first port on: no list and no journal has both. \
In a practice job only practice segments open, in the job of a real bus only real ports.

After opening, busprobe listens before it sends anything; if the pair is quiet, one read request \
to address 246 shows whether the adapter echoes. If another master is already asking units on \
this bus, it says so and asks: two masters on one bus disturb each other, and plant may trip when \
its master is disturbed."""
    BINDINGS: ClassVar[list[BindingType]] = [*bindings(OF_STEP[StepName.PORT])]

    @dataclass
    class Opened(Message):
        """The port is open and was listened to."""

        heard: Overheard
        echo: Echo | None

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._words: dict[str, str] = {}
        self._adapter = ""
        """The first adapter on USB."""

    def compose(self) -> ComposeResult:
        """List of ports, free text, what was found."""
        yield Static(id="ports-head", classes="head")
        with Container(classes="panes"):
            yield RowTable((Column("Port", least=12), Column("What it is", least=20)), id="ports")
            with Beside(classes="beside"):
                yield Static(id="port-detail", classes="said")
                yield Static(id="port-said", classes="said gap")
        with Horizontal(classes="row fields"):
            yield Static("Port", classes="label")
            yield Input(
                placeholder="/dev/ttyUSB0  COM7  socket://host:port", id="port-name", compact=True
            )
            yield Static("Settings", classes="label")
            yield ChoiceField(
                "Line settings",
                "9600-8N1",
                offered_settings(),
                other_settings,
                id="port-settings",
            )

    def on_mount(self) -> None:
        """Fill the list."""
        self.action_look()

    def first_focus(self) -> Widget:
        """The list."""
        return self._table

    def job_changed(self) -> None:
        """Offer the port of the job; say what is open."""
        if self.session.is_open:
            if self.state is StepState.TO_DO:  # what was heard on it may have said "check"
                self.state = StepState.DONE
            self._propose_next()
        else:
            self.state = StepState.TO_DO
            self._propose_port()

    def _propose_next(self) -> None:
        """What was cut off comes first, then the bus."""
        cut_off = self.wizard.cut_off
        if cut_off is not None:
            self.stand(self.state, "What was cut off is looked into there.", go_to(cut_off))
        elif self.state is StepState.CHECK:
            self.stand(self.state, "It helps to find what was heard.", go_to(StepName.WIRING))
        else:
            self.stand(self.state, "Or check the wiring first: Wiring (2).", go_to(StepName.SURVEY))

    def _propose_port(self) -> None:
        """The port of the job, else the first adapter on USB.  Another device may be at a port that
        is built in: that is chosen by hand, and so is a practice segment."""
        field = self.query_one("#port-name", Input)
        if not field.value:
            field.value = self.session.job.meta.port or self._adapter
        self._table.choose(field.value)
        self._show_proposed()

    @on(Input.Changed, "#port-name")
    def _show_proposed(self) -> None:
        """Enter opens the port that stands in the field."""
        name = self.query_one("#port-name", Input).value.strip()
        if self.session.is_open or self.working:
            return
        if name:
            self.stand(self.state, "Or choose another one.", Proposal(f"open {name}", "open"))
        else:
            self.stand(self.state, "Plug the adapter in and press r, or choose a port.")

    def action_look(self) -> None:
        """List adapters anew."""
        practice = self.session.practice
        found = () if practice is True else ports()
        self._adapter = next((port.device for port in found if port.usb_id), "")
        real = {port.device: port.words for port in found}
        virtual = {} if practice is False else dict(virtual_segments())
        self._words = real | virtual
        self.query_one("#ports-head", Static).update(_HEADS[practice])
        self._table.fill((name, (name, words)) for name, words in self._words.items())
        if not self.session.is_open:
            self._propose_port()

    @on(RowTable.Highlighted, "#ports")
    def _row_highlighted(self) -> None:
        name = self._table.chosen or ""
        self.query_one("#port-detail", Static).update(Text(self._words.get(name, "")))
        if self._table.has_focus:
            self.query_one("#port-name", Input).value = name

    @on(RowTable.Selected, "#ports")
    def _row_selected(self) -> None:
        self.query_one("#port-name", Input).value = self._table.chosen or ""
        self.action_open()

    @on(Input.Submitted)
    @on(ChoiceField.Submitted)
    def action_open(self) -> None:
        """Open the port of the field in a worker and listen."""
        name = self.query_one("#port-name", Input).value.strip()
        try:
            settings = LineSettings.parse(self.query_one("#port-settings", ChoiceField).value)
            refuse_other_kind(name, self.session.job.meta.port)
        except BusprobeError as error:
            self._say_failure(error)
            return
        if not name:
            self._say(Text("No port was chosen. Choose one from the list or type it.", "bold"))
            return

        if self.session.is_open and name != self.session.line.name:
            question = _instead(self.session.line.name, name)
            self.app.push_screen(question, if_yes(partial(self._open_port, name, settings)))
        elif self.session.practice is None and is_virtual(name):
            self.app.push_screen(_practise(name), if_yes(partial(self._open_port, name, settings)))
        else:
            self._open_port(name, settings)

    def open_at_start(self, name: str, settings: LineSettings | None) -> None:
        """Open the port that was named when the wizard was started."""
        self.query_one("#port-name", Input).value = name
        field = self.query_one("#port-settings", ChoiceField)
        if settings is not None:
            field.value = str(settings)
        self._open_port(name, settings or LineSettings.parse(field.value))

    def open_again(self) -> None:
        """Open the port that the job had last."""
        self.query_one("#port-name", Input).value = self.session.job.meta.port
        self.action_open()

    def _open_port(self, name: str, settings: LineSettings) -> None:
        def work() -> None:
            self.session.open(name, settings)
            self._listen()

        if self.on_line("opening the port", work, unopened=True):
            self._wait()
            self._say(
                Text(f"Opening {name} at {settings} and listening for {LISTEN_SECONDS:.0f} s …")
            )

    def action_listen(self) -> None:
        """Listen again."""
        if self.on_line("listening", self._listen):
            self._wait()
            self._say(Text(f"Listening for {LISTEN_SECONDS:.0f} s …"))

    def _wait(self) -> None:
        self.state, self.next_words = StepState.DOING, "Wait: busprobe listens before it sends."

    def on_step_work_failed(self, event: Step.WorkFailed) -> None:
        """The port did not open or failed: said here, where the next attempt is made."""
        event.stop()
        self._say_failure(event.error)
        self.wizard.go_to(StepName.PORT)

    def work_ended(self) -> None:
        """Say what is next, also where it failed."""
        if self.session.is_open:
            self._propose_next()
        else:
            self._show_proposed()

    def _listen(self) -> None:
        heard = self.session.listen(LISTEN_SECONDS)
        line = self.session.line
        echo = line.echo
        if heard.quiet and echo is None:
            read = read_registers(_SELDOM_GIVEN, Function.READ_HOLDING_REGISTERS, 0, 1)
            echo = line.exchange(read, Waits()).echo
        self.post_message(self.Opened(heard, echo))

    def action_close(self) -> None:
        """Release the port, for another program or another adapter."""
        if not self.wizard.line_lock.holder:
            self.session.close()
            self._say(Text("The port is closed."))
            self.post_message(self.JobChanged())

    @on(Opened)
    def _opened(self, event: Opened) -> None:
        self.action_look()
        self._table.choose(self.session.line.name)
        heard = event.heard
        echo = {
            Echo.FULL: (
                "This adapter gives back what it sends (echo); that is known now and taken off."
            ),
            Echo.NONE: "This adapter does not echo.",
            None: "Whether this adapter echoes is not known yet: nothing was sent.",
        }[event.echo]
        name = self.session.line.name
        if heard.other_master:
            self.state = StepState.CHECK
            mark = toned(self, "! Another master", "attention")
        elif heard.quiet:
            self.state = StepState.DONE
            mark = toned(self, "✓ Open", "good")
        else:
            self.state = StepState.CHECK
            mark = toned(self, "! Open, not quiet", "attention")
        self._say(mark.append(f"  {name}. {heard.words}\n{echo}", style="not bold"))
        if self.wizard.step is self:  # whoever has gone on to another step works there by now
            self.focus()
        self.post_message(self.JobChanged())
        cut_off = self.wizard.cut_off
        if heard.other_master:
            self._ask_about_master(heard)
        elif cut_off is not None and self.wizard.step is self:
            self.wizard.go_to(cut_off)

    def _ask_about_master(self, heard: Overheard) -> None:
        """To go on beside another master takes an explicit yes; the answer goes into the job."""

        def decide(go_on: bool | None) -> None:
            self.session.job.record("other master", {"heard": heard.words, "went_on": bool(go_on)})
            if not go_on:
                self.session.close()
                self._say(
                    Text(
                        "The port is closed again. Have the other master switched off, then open it"
                        " anew."
                    )
                )
            self.post_message(self.JobChanged())

        self.app.push_screen(
            Question(
                "! Another master is on this pair",
                f"{heard.words}\n\nTwo masters disturb each other, and plant that depends on the"
                " other one may trip, with or without it. Ask whoever runs it before you go on.",
                (Answer("c", "Close the port", False), Answer("g", "Go on, I may do this", True)),
                grave=True,
            ),
            decide,
        )

    @property
    def _table(self) -> RowTable[str]:
        return self.query_one("#ports", RowTable)

    def _say(self, words: Text) -> None:
        self.query_one("#port-said", Static).update(words)

    def _say_failure(self, error: BusprobeError) -> None:
        self.state = StepState.CHECK
        said = Text(f"✖ {error.what}", style="bold").append(f" {error.means}\n", style="not bold")
        self._say(said.append("Next: ").append(error.todo, style="not bold"))
        self._show_proposed()


def _practise(name: str) -> Question[bool]:
    """True if a job that has had no port yet is to be a practice job."""
    return Question(
        "Practise in this job?",
        f"{name} is a virtual segment: nothing real is connected. This job becomes a practice job"
        " and opens no real port afterwards.\n\nFor a real bus choose an adapter.",
        (Answer("n", "No, open nothing", False), Answer("y", "Yes, practise here", True)),
    )


def _instead(open_now: str, name: str) -> Question[bool]:
    """True if another port is to be opened in place of the one that is open."""
    return Question(
        f"Open {name} instead?",
        f"{open_now} is open and would be closed first.",
        (Answer("k", "Keep what is open", False), Answer("o", f"Open {name}", True)),
    )

"""The app: one screen with the rail, the steps and the line of what to do next; who has the line;
how it is left."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import ActiveBinding, Binding, BindingType
from textual.containers import Horizontal
from textual.driver import Driver
from textual.filter import LineFilter
from textual.reactive import reactive
from textual.screen import Screen
from textual.widgets import ContentSwitcher, Input, Static

from busprobe.errors import FileError, RefusedError
from busprobe.session.bus_kind import kind_word
from busprobe.wizard.common.actions import OF_STEP, Action
from busprobe.wizard.common.choice import ChoiceDialog, Offered
from busprobe.wizard.common.drawn_text import HarmlessLines, PlainLines
from busprobe.wizard.common.form import Form, FormKey, Texts
from busprobe.wizard.common.help import help_for, help_for_screen
from busprobe.wizard.common.key_bar import KeyBar
from busprobe.wizard.common.keys_in_order import KeysInOrder
from busprobe.wizard.common.line_lock import LineLock
from busprobe.wizard.common.next_line import NextLine
from busprobe.wizard.common.question import Answer, Failure, Help, Notice, Question, if_given
from busprobe.wizard.common.step import Proposal, StepName, go_to
from busprobe.wizard.common.step_rail import StepRail
from busprobe.wizard.common.terminal import outliving
from busprobe.wizard.common.theme import DARK, LIGHT
from busprobe.wizard.common.verbs import Verb

if TYPE_CHECKING:
    from busprobe.line.settings import LineSettings
    from busprobe.session.session import Session
    from busprobe.wizard.common.step import Step
    from busprobe.wizard.port.step import PortStep

_STEP_KEY = "wizard.step"
"""Where the job keeps which step was looked at last."""

_PORT_INTERVAL = 0.5
"""Seconds after which the top line looks at the line settings anew, while work has the line."""


class _StepScreen(Screen[None]):
    """The screen of the steps; while a dialog is in front of it, its footer offers only keys that
    work there too."""

    @property
    def active_bindings(self) -> dict[str, ActiveBinding]:
        """The keys that work now."""
        known = super().active_bindings
        return (
            known
            if self.app.screen is self
            else {key: each for key, each in known.items() if each.binding.priority}
        )


class BusprobeApp(KeysInOrder):
    """The wizard over one session: the frame is drawn first, and all that takes longer is loaded
    behind it."""

    CSS_PATH = "wizard.tcss"
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012 - textual's own declaration
        (0, "-narrow"),
        (80, "-usual"),
        (120, "-wide"),
    ]
    ENABLE_COMMAND_PALETTE = False
    TITLE = "busprobe"
    BINDINGS: ClassVar[list[BindingType]] = [
        *[Binding(str(n), f"step({n})", show=False) for n in range(1, 8)],
        Binding("ctrl+n", "turn(1)", "Next", key_display="^n", priority=True, show=False),
        Binding("ctrl+b", "turn(-1)", "Back", key_display="^b", priority=True, show=False),
        Binding("f1", "help", "Help", key_display="F1", priority=True),
        Binding("question_mark", "list_actions", "All", key_display="?", tooltip="all actions"),
        Binding("ctrl+p", "list_actions", "Actions", show=False, priority=True),
        Binding("f8", "light", "Light or dark", show=False, priority=True),
        Binding("f9", "terminals", "Hands", key_display="F9", priority=True),
        Binding("escape", "leave_field", "Leave the field", key_display="Esc"),
        Binding("escape", "leave_list", show=False),
        Action(Verb.QUIT, "leave", "leave busprobe").binding,
        Binding("ctrl+q", "leave", "Quit", show=False, priority=True),
        Binding("ctrl+c", "say_how_to_leave", show=False),
    ]

    VERTICAL_BREAKPOINTS = [(0, "-low"), (18, "-high")]  # noqa: RUF012 - textual's own declaration

    current: reactive[int] = reactive(0, init=False)
    """The step that is looked at, from 1."""

    session: Session
    """There once everything is loaded."""

    def __init__(
        self,
        open_session: Callable[[], Session],
        *,
        encoding: str = "utf-8",
        port: str = "",
        settings: LineSettings | None = None,
    ) -> None:
        """Show the session that `open_session` opens, in a thread of its own, on a terminal of this
        `encoding`; the step Port begins by opening `port` where one is named."""
        super().__init__()
        self.register_theme(DARK)
        self.register_theme(LIGHT)
        self.theme = DARK.name
        self._line_filters = (HarmlessLines(), PlainLines(encoding))
        self._open_session = open_session
        self._port, self._port_settings = port, settings
        self.failure: Exception | None = None
        """What ended the wizard, if not a person did."""
        self.line_lock = LineLock()
        self.line_owner: Step | None = None
        self._lender: tuple[Step, str] | None = None
        """Whose work is held while another step has the line, and what that work is."""
        self.typed_in_forms: dict[FormKey, Texts] = {}
        self._leaving = False
        self._said_of_port = ""
        self._steps: tuple[Step, ...] = ()

    def get_driver_class(self) -> type[Driver]:
        """What draws, and goes on where the terminal has gone."""
        return outliving(super().get_driver_class())

    def get_line_filters(self) -> Sequence[LineFilter]:
        """What every line passes before it is drawn."""
        return (*super().get_line_filters(), *self._line_filters)

    def get_default_screen(self) -> Screen[None]:
        """The screen of the steps."""
        return _StepScreen(id="_default")

    def compose(self) -> ComposeResult:
        """Top line, rail, steps, next line, keys."""
        with Horizontal(id="top"):
            yield Static(Text("busprobe", style="bold"), id="place")
            yield Static(id="bus-kind")
            yield Static(id="on-port")
        yield StepRail(tuple(StepName))
        yield ContentSwitcher(id="steps")
        yield NextLine(" → Opening the job.", id="next")
        yield KeyBar()

    def on_mount(self) -> None:
        """Load the rest once the frame stands."""
        self._follow_port = self.set_interval(_PORT_INTERVAL, self._show_port, pause=True)
        self.watch(self.screen, "focused", self._show_next, init=False)
        self.call_after_refresh(self._load)

    @property
    def loaded(self) -> bool:
        """Whether the steps are there."""
        return bool(self.current)

    async def _load(self) -> None:
        """Open the session and show the job as it was left."""
        try:
            self.session, made = await asyncio.to_thread(self._prepared)
        except Exception as error:  # noqa: BLE001 - told when the screen is the user's own again
            self.failure = error
            self.exit()
            return
        self._steps = made()
        for step in self._steps:
            step.display = False
        await self.query_one("#steps", ContentSwitcher).mount(*self._steps)
        self._read_job()
        kept = self.session.job.state(_STEP_KEY, int) or 1
        begin = 1 if self._port else self.cut_off.number if self.cut_off else kept
        self.current = begin if 1 <= begin <= len(self._steps) else 1
        if self._leaving:
            self.exit()
        elif self._port:
            self._port_step.open_at_start(self._port, self._port_settings)

    def _handle_exception(self, error: Exception) -> None:
        """End the wizard; what it failed of is told when the screen is the user's own again.

        Textual has no public place for this, and would print a traceback.
        """
        self.failure = self.failure or error
        super()._handle_exception(error)
        self._exit_renderables.clear()

    def _prepared(self) -> tuple[Session, Callable[[], tuple[Step, ...]]]:
        """All that can be done away from the screen, which stays alive meanwhile."""
        made: Callable[[], tuple[Step, ...]] = import_module("busprobe.wizard.steps").all_steps
        return self._open_session(), made

    # -- steps

    @property
    def step(self) -> Step:
        """The step that is looked at."""
        return self._steps[self.current - 1]

    @property
    def _port_step(self) -> PortStep:
        from busprobe.wizard.port.step import PortStep

        return self.query_one(PortStep)

    @property
    def cut_off(self) -> StepName | None:
        """The step in whose work the program ended, a write before all else."""
        steps = sorted(self._steps, key=lambda step: step.TITLE is not StepName.READDRESS)
        return next((step.TITLE for step in steps if step.cut_off), None)

    def watch_current(self) -> None:
        """Bring the chosen step into view."""
        self.query_one("#steps", ContentSwitcher).current = self.step.id
        with suppress(FileError):  # a full disk is told by what has to be stored
            self.session.job.set_state(_STEP_KEY, self.current)
        self.step.arrive()
        self.step.focus()
        self._show_frame()

    def action_step(self, number: int) -> None:
        """Go to a step."""
        self.current = number

    def go_to(self, name: StepName) -> None:
        """Go to a step by its name."""
        self.current = name.number

    def action_turn(self, by: int) -> None:
        """Go to the next step or the one before."""
        self.current = min(max(self.current + by, 1), len(self._steps))

    def on_step_rail_chosen(self, event: StepRail.Chosen) -> None:
        """A step was clicked."""
        self.current = event.number

    def on_step_changed(self) -> None:
        """A step has more to say."""
        self._show_frame()

    def on_step_job_changed(self) -> None:
        """Something other steps show was recorded."""
        self._read_job()

    def _read_job(self) -> None:
        for step in self._steps:
            step.job_changed()
        self._show_frame()

    def _show_frame(self) -> None:
        """Bring the lines around the steps up to date."""
        if not self.current or not self.query(StepRail):  # none while the app shuts down
            return
        rail = self.query_one(StepRail)
        for number, step in enumerate(self._steps, start=1):
            rail.show(number, step.state, step.progress, current=number == self.current)
        self._show_next()
        self.screen_stack[0].query_one(KeyBar).first = tuple(verb.key for verb in self.step.solves)
        self.query_one("#place", Static).update(self._place())
        self._show_kind(self.session.practice)
        self._show_port()

    def _show_next(self) -> None:
        if not self.current:
            return
        proposal, words = self._proposed
        for line in self.query(NextLine):  # none while the app shuts down
            label = proposal.label if proposal else ""
            line.show(label, words, in_step=self.screen_stack[0].focused in (None, self.step))

    @property
    def _proposed(self) -> tuple[Proposal | None, str]:
        """What is proposed and said: what the step has to say, as far as that can be done now."""
        step, job = self.step, self.session.job
        wanted, owner = step.proposal, self.line_owner
        if wanted is None or not wanted.on_line:
            return wanted, step.next_words
        if owner is step:
            return None, f"Wait: {self.line_lock.holder} is running."
        if owner is not None and not (step.READS_ONLY and self._lender is None):
            return go_to(owner.TITLE), f"Wait: {self.line_lock.holder} is running there."
        if self.session.is_open:
            return wanted, step.next_words
        if job.meta.port:
            return Proposal(f"open {job.meta.port}", "app.open_again"), f"Then: {wanted.label}."
        return go_to(StepName.PORT), "No port is open yet."

    async def do_proposed(self) -> None:
        """Do what the next line proposes."""
        proposal, _ = self._proposed
        if proposal is not None and self._on_a_step:
            await self.run_action(proposal.action, self.step)

    async def on_next_line_chosen(self) -> None:
        """A click does what Enter does."""
        if self.loaded:
            await self.do_proposed()

    def action_open_again(self) -> None:
        """Open the port that the job had last."""
        self._port_step.open_again()

    def _show_port(self) -> None:
        """Say which port at which settings; work on the line changes them as it goes on."""
        if self.line_lock.holder:
            self._follow_port.resume()
        else:
            self._follow_port.pause()
        said = self._on_port()
        if said != self._said_of_port:
            self._said_of_port = said
            for shown in self.query("#on-port").results(Static):  # none while the app shuts down
                shown.update(Text(said))

    def _show_kind(self, practice: bool | None) -> None:
        """Say on every step whether units are real; where no port is open, only that they are
        not."""
        kind = self.query_one("#bus-kind", Static)
        kind.display = practice is True or (practice is False and self.session.is_open)
        kind.set_class(practice is False, "real")
        kind.update(kind_word(practice=practice is True))

    def _place(self) -> Text:
        """What job and segment."""
        meta = self.session.job.meta
        place = (
            " · ".join(part for part in (meta.site, meta.segment) if part)
            or self.session.job.path.name
        )
        return Text("busprobe", style="bold").append(f"  {place}", style="not bold")

    def _on_port(self) -> str:
        """Which port, and what runs on it."""
        said = (
            f"{self.session.line.name} {self.session.line.settings}"
            if self.session.is_open
            else "no port open"
        )
        return f"{said} ▸ {self.line_lock.holder}" if self.line_lock.holder else said

    # -- the line

    def claim_line(
        self, step: Step, what: str, *, unopened: bool = False
    ) -> Callable[[], None] | None:
        """Give the line to work of `step`, which first calls what is returned, in its own thread.

        None, with the reason on screen, where that cannot be.  Work that only reads may be let in
        between another's. Only the work that opens the port may claim it `unopened`.
        """
        ready: Callable[[], None] = _at_once
        try:
            if not self.session.is_open and not unopened:
                raise RefusedError("No port is open yet.", todo="Open one in step 1, Port.")
            owner = self.line_owner
            held = (
                owner.lend_line()
                if owner is not None and self._lender is None and step.READS_ONLY
                else None
            )
            if owner is not None and held is not None:
                self._lender, ready = (owner, self.line_lock.holder), held
                self.line_lock.release()
            self.line_lock.claim(what)
        except RefusedError as error:
            self.push_screen(Failure(error))
            return None
        self.line_owner = step
        self._show_frame()
        return ready

    def on_step_work_failed(self, event: Step.WorkFailed) -> None:
        """Say what went wrong."""
        self.push_screen(Failure(event.error))

    def on_step_work_ended(self, event: Step.WorkEnded) -> None:
        """The line is free again, or goes back to the work that was held."""
        if self._lender is not None and event.step is self._lender[0]:
            self._lender = None  # it came to its end instead of being held
            event.step.work_ended()
            return
        self.line_owner = None
        self.line_lock.release()
        if self._lender is not None:
            (lender, what), self._lender = self._lender, None
            self.line_lock.claim(what)
            self.line_owner = lender
            lender.take_line_back()
            if self._leaving:
                lender.stop_work()
        elif self._leaving:
            self.exit()
            return
        event.step.work_ended()
        self._show_frame()

    # -- help and leaving

    def action_help(self) -> None:
        """Explain the step or what is in front of it, and its keys; once more closes that."""
        screen = self.screen
        if isinstance(screen, Help):
            screen.dismiss(None)
        elif self._on_a_step:
            self.push_screen(Help(f"Help: {self.step.TITLE}", help_for(self.step)))
        else:
            self.push_screen(Help("Help", help_for_screen(screen)))

    def action_list_actions(self) -> None:
        """Show all actions of all steps, to search in; the one that is chosen is done in its
        step."""
        offered = [
            Offered(
                (step, action), f"{step}: {action.verb.label}", action.sentence, action.verb.written
            )
            for step, actions in OF_STEP.items()
            for action in actions
        ]

        def run(chosen: tuple[StepName, Action]) -> None:
            step, action = chosen
            self.go_to(step)
            self.call_after_refresh(self._run_listed, action)

        self.push_screen(ChoiceDialog("All actions", offered, searched=True), if_given(run))

    async def _run_listed(self, action: Action) -> None:
        """Do an action of the step that is looked at, where that is possible now; what the step
        asks when it is come to is answered first."""
        if self._on_a_step and not await self.run_action(action.name, self.step):
            self.notify(f"Not possible now: {action.sentence}.", severity="warning", markup=False)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only a virtual segment has terminals to change here; only a field can be left."""
        del parameters
        if not self.loaded:
            return action in ("leave", "light")
        match action:
            case "terminals":
                return self.session.terminals is not None
            case "leave_field":
                return isinstance(self.focused, Input) and self._on_a_step
            case "leave_list":
                return self._on_a_step
            case "step" | "turn" | "list_actions" | "light":
                return self._on_a_step
            case _:
                return True

    @property
    def _on_a_step(self) -> bool:
        """Whether nothing is in front of the step."""
        return len(self.screen_stack) == 1

    def action_terminals(self) -> None:
        """Connect and disconnect units of a practice segment."""
        from busprobe.wizard.common.terminals_dialog import TerminalsDialog

        terminals = self.session.terminals
        if terminals is not None and not isinstance(self.screen, TerminalsDialog):
            self.push_screen(TerminalsDialog(terminals))

    def explain(self, title: str, words: str) -> None:
        """Show a text to read and close."""
        self.push_screen(Notice(title, words))

    def action_light(self) -> None:
        """Switch between dark and light, for a dark cellar and for bright sun."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name
        if self.loaded:
            self._read_job()

    def action_leave_field(self) -> None:
        """Put the focus on the step itself, so that letters and digits are keys again."""
        self.step.focus()

    def action_leave_list(self) -> None:
        """Put the focus on the step itself, so that Enter does what is proposed."""
        self.step.focus()

    def action_say_how_to_leave(self) -> None:
        """Ctrl+C copies; whoever means to leave with it is told how."""
        self.notify("q leaves busprobe; inside a field or a box Ctrl+Q does.", markup=False)

    def action_leave(self) -> None:
        """Leave; asks first while something runs or is being filled in, and not before what has to
        be answered is."""
        if any(isinstance(screen, Question) and screen.stays for screen in self.screen_stack):
            self.bell()
        elif not self.line_lock.holder:
            if isinstance(self.screen, Form) and self.screen.changed:
                self.push_screen(
                    Question(
                        "Leave?",
                        "What was typed in the form is not kept yet.",
                        (Answer("s", "Stay", False), Answer("l", "Leave without it", True)),
                    ),
                    self._leave_if,
                )
            else:
                self._leave_if(True)
        elif not isinstance(self.screen, Question):
            self.push_screen(
                Question(
                    "Leave?",
                    f"{self.line_lock.holder.capitalize()} is still running on the line.\n\nIf you"
                    " leave, it is asked to stop and ends cleanly first. Everything found so far"
                    f" is in the job:\n{self.session.job.path}",
                    (Answer("s", "Stay", False), Answer("l", "Stop it and leave", True)),
                ),
                self._leave_if,
            )

    def end(self) -> None:
        """End as if a person left, without asking; may be called while a signal is handled."""
        self._leaving = True  # seen once everything is loaded, where the screen is not there yet
        with suppress(RuntimeError):
            asyncio.get_running_loop().call_soon_threadsafe(self.call_later, self._leave_if, True)

    def _leave_if(self, sure: bool | None) -> None:
        if not sure:
            return
        self._leaving = True  # what is loaded, or runs on the line, ends first
        if self.line_owner is not None:
            self.line_owner.stop_work()
        elif self.loaded:
            self.exit()


def _at_once() -> None:
    """The line is free: there is nothing to wait for."""

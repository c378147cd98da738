"""What all steps have in common: their state on the rail, work on the line, and how failures reach
the screen."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, StrEnum
from functools import partial
from typing import TYPE_CHECKING, ClassVar, Protocol, cast

from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.message import Message
from textual.reactive import reactive
from textual.widget import Widget
from textual.worker import Worker, WorkerState

from busprobe.errors import BusprobeError
from busprobe.wizard.common.line_lock import LineLock
from busprobe.wizard.common.verbs import Verb

if TYPE_CHECKING:
    from busprobe.session.session import Session
    from busprobe.wizard.common.verbs import Verb


_SCROLLS = {
    "up": "scroll_up",
    "down": "scroll_down",
    "left": "scroll_left",
    "right": "scroll_right",
    "pageup": "page_up",
    "pagedown": "page_down",
    "home": "scroll_home",
    "end": "scroll_end",
}
"""Keys that lead into a list, and how a step scrolls by them otherwise."""


class StepName(StrEnum):
    """A step, by the name that stands on the rail."""

    PORT = "Port"
    WIRING = "Wiring"
    SURVEY = "Survey"
    IDENTIFY = "Identify"
    READDRESS = "Readdress"
    PROVE = "Prove"
    HAND_OVER = "Hand over"

    @property
    def number(self) -> int:
        """Its place on the rail, from 1, and the digit that goes to it."""
        return 1 + tuple(StepName).index(self)


@dataclass(frozen=True)
class Proposal:
    """What is proposed to do next; Enter does it."""

    label: str
    """What it does, beginning with a verb."""
    action: str
    """Of the step or, with ``app.`` before it, of the app."""
    on_line: bool = False
    """Whether it needs an open port that no other work uses."""


def go_to(name: StepName) -> Proposal:
    """The step of that name is next."""
    return Proposal(f"go to {name} ({name.number})", f"app.step({name.number})")


class StepState(Enum):
    """How far a step has come: a sign and a word, so that it reads without colour."""

    TO_DO = ("·", "to do")
    DOING = ("▸", "doing")
    DONE = ("✓", "done")
    CHECK = ("!", "check")

    @property
    def sign(self) -> str:
        """One character."""
        return self.value[0]

    @property
    def word(self) -> str:
        """At most five letters."""
        return self.value[1]


class Around(Protocol):
    """What a step needs of the app around it."""

    session: Session
    line_lock: LineLock
    line_owner: Step | None
    """Whose work has the line."""

    @property
    def step(self) -> Step:
        """The step that is looked at."""

    @property
    def cut_off(self) -> StepName | None:
        """The step in whose work the program ended, if that has to be looked into."""

    def go_to(self, name: StepName) -> None:
        """Go to a step by its name."""

    async def do_proposed(self) -> None:
        """Do what the next line proposes."""

    def explain(self, title: str, words: str) -> None:
        """Show a text to read and close."""

    def claim_line(
        self, step: Step, what: str, *, unopened: bool = False
    ) -> Callable[[], None] | None:
        """Give the line to work of `step`; None, with the reason on screen, where that cannot
        be."""


class Step(VerticalScroll, can_focus=True):
    """One step of the job.

    It is mounted once and only hidden when another step is looked at, so nothing on it is lost and
    work it started goes on.  It has the focus itself when it is come to, so that Enter does what
    is proposed; an arrow leads into its list, and Escape back.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter", "do_proposed", show=False),
        *(Binding(key, f"into_list('{key}')", show=False) for key in _SCROLLS),
        Binding("slash", "into_list('slash')", show=False),
    ]

    TITLE: ClassVar[StepName]
    READS_ONLY: ClassVar[bool] = False
    """Whether what it does on the line changes nothing there, so that a survey may let it in
    between."""
    HELP: ClassVar[str] = ""
    """What the step is for and how it is used; plain text."""

    state: reactive[StepState] = reactive(StepState.TO_DO, init=False)
    progress: reactive[str] = reactive("", init=False)
    """Shown on the rail in place of the state's word while something runs: ``43 %``."""
    proposal: reactive[Proposal | None] = reactive(None, init=False)
    """What Enter does."""
    next_words: reactive[str] = reactive("", init=False)
    """What to do next beside the proposal, or where there is none; one sentence."""
    solves: reactive[tuple[Verb, ...]] = reactive((), init=False)
    """The keys that solve the problem at hand, the first one first."""

    class Changed(Message):
        """The step's state, progress, proposal or next words have changed."""

    class JobChanged(Message):
        """Something was recorded that other steps show too."""

    @dataclass
    class WorkFailed(Message):
        """Work on the line ended with an error meant for the user."""

        error: BusprobeError

    @dataclass
    class WorkEnded(Message):
        """Work on the line is over, however it ended."""

        step: Step

    @property
    def wizard(self) -> Around:
        """The app, as a step knows it."""
        return cast("Around", self.app)

    @property
    def session(self) -> Session:
        """The job and the line."""
        return self.wizard.session

    @property
    def working(self) -> bool:
        """Whether work that this step started has the line."""
        return self.wizard.line_owner is self

    def watch_state(self) -> None:
        """Tell the rail."""
        self.post_message(self.Changed())

    def watch_progress(self) -> None:
        """Tell the rail."""
        self.post_message(self.Changed())

    def watch_next_words(self) -> None:
        """Tell the bottom line."""
        self.post_message(self.Changed())

    def watch_solves(self) -> None:
        """Tell the line of keys."""
        self.post_message(self.Changed())

    def watch_proposal(self) -> None:
        """Tell the bottom line."""
        self.post_message(self.Changed())

    def stand(self, state: StepState, words: str, proposal: Proposal | None = None) -> None:
        """Say how the step stands and what to do next."""
        self.state, self.next_words, self.proposal = state, words, proposal

    @property
    def cut_off(self) -> bool:
        """Whether the program ended in the middle of its work, and that has to be looked into."""
        return False

    def first_focus(self) -> Widget:
        """Where an arrow leads from the step itself."""
        return self

    async def action_into_list(self, key: str) -> None:
        """Give the focus to the list, and the key to it as well; scroll where it has no use for
        it."""
        first = self.first_focus()
        own = (each for each in first.BINDINGS if isinstance(each, Binding))
        action = next((each.action for each in own if key in each.key.split(",")), None)
        if action is not None and first is not self:
            first.focus()
            await first.run_action(action)
        elif key in _SCROLLS:
            await self.run_action(_SCROLLS[key])

    async def action_do_proposed(self) -> None:
        """Do what is proposed."""
        await self.wizard.do_proposed()

    def arrive(self) -> None:
        """The step has come into view."""

    def job_changed(self) -> None:
        """Read again from the job what this step shows; also called once at the start, so that a
        job resumes."""

    def stop_work(self) -> None:
        """Ask work that is running to end soon; what it has found so far is in the job."""

    def lend_line(self) -> Callable[[], None] | None:
        """Hold work that is running so that other work can have the line; None where that cannot
        be.

        What is returned is called by the other work's own thread and comes back when the line is at
        rest.
        """
        return None

    def take_line_back(self) -> None:
        """Go on with work that was held."""

    def work_ended(self) -> None:
        """Work on the line that this step started is over; further work may be started from
        here."""

    def on_line(self, what: str, work: Callable[[], None], *, unopened: bool = False) -> bool:
        """Run `work` in a thread that has the line to itself; `what` names it in words (``the
        survey``).

        Where the line is in use or no port is open, that is said and False is returned; only work
        that opens the port may run `unopened`.  `work` reports by posting messages; a
        `BusprobeError` it raises is shown.
        """
        ready = self.wizard.claim_line(self, what, unopened=unopened)
        if ready is None:
            return False
        self.proposal = None
        self.run_worker(
            partial(self._guarded, ready, work),
            name=what,
            group="line",
            exclusive=True,
            thread=True,
            exit_on_error=False,
        )
        return True

    def _guarded(self, ready: Callable[[], None], work: Callable[[], None]) -> None:
        try:
            ready()
            work()
        except BusprobeError as error:
            self.post_message(self.WorkFailed(error))
        finally:
            self.post_message(self.WorkEnded(self))

    def on_worker_state_changed(self, event: Worker.StateChanged) -> None:
        """A mistake in this program must not look like a fact about the bus."""
        error = event.worker.error
        if event.state is WorkerState.ERROR and error is not None:
            fault = BusprobeError(
                f"busprobe itself has a fault: {event.worker.name} ended with"
                f" {type(error).__name__}: {error}",
                means="This says nothing about the bus. What was found so far is in the job.",
                todo="Go on or start again; please report this text.",
            )
            self.post_message(self.WorkFailed(fault))

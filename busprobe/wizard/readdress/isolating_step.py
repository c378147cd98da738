"""A step that takes a clash apart: one unit left on the pair, moved, the others put back one at a
time."""

from __future__ import annotations

from rich.text import Text
from textual import on

from busprobe.line.settings import LineSettings
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import isolate
from busprobe.readdress.outcome import Outcome
from busprobe.survey.findings import Kind
from busprobe.wizard.common.signs import toned
from busprobe.wizard.readdress.isolation_screen import IsolationScreen
from busprobe.wizard.readdress.messages import Isolated, LookedAgain
from busprobe.wizard.readdress.moving_step import MovingStep
from busprobe.wizard.readdress.reconnect import PutBack

_BACK = {
    Kind.UNIT: "One unit answers at {address}. Move it too: set its address (p, or w), then m.",
    Kind.CLASH: (
        "Two or more answer at {address}. Put the cursor there and press i: it guides you until one"
        " is left."
    ),
    Kind.UNSURE: (
        "Who answers at {address} is not clear. Put the cursor there and press i: it guides you"
        " until one is left."
    ),
    Kind.SILENT: (
        "Nobody answers at {address}. See that the unit has power and is on the pair, then survey"
        " it (3)."
    ),
}
"""What is said of an address after a unit was put back."""


class IsolatingStep(MovingStep):
    """Guides hands at the terminals while it watches the address that several units share."""

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - Textual's own name
        super().__init__(id=id)
        self._isolated: tuple[int, LineSettings] | None = None
        """Where units were taken off the pair and have to be put back."""
        self._left = False
        """Whether the one that stayed has its own address by now, so that the others may come back.
        """

    def run_isolation(self, address: int, settings: LineSettings) -> None:
        """Watch `address` until one unit is left there."""
        session = self.session

        def work() -> None:
            try:
                session.line.apply(settings)
                for look in isolate(session.line, address, self._stop):
                    screen.post_message(IsolationScreen.Seen(look))
                if not self._stop.is_set():
                    session.look_again(address, settings)
                    session.identify(address, settings)
                    self.post_message(Isolated(address, settings))
            finally:
                screen.post_message(IsolationScreen.Ended())

        screen = IsolationScreen(address, self.action_stop)
        if self.begin("the watch", work):
            self.app.push_screen(screen)

    def moved(self, outcome: Outcome) -> None:
        """Where others had to be taken off first, they may come back once nothing is moved any
        more."""
        self._left = self._left or self._isolated == (
            outcome.move.source.address,
            outcome.move.source.settings,
        )

    def work_ended(self) -> None:
        """Show where things stand; then the others are put back, which must not come between a
        batch and its asking."""
        super().work_ended()
        if self._left and self._isolated is not None:
            self._left = False
            self._ask_to_put_back(*self._isolated)

    @on(Isolated)
    def _one_left(self, event: Isolated) -> None:
        self._isolated = (event.address, event.settings)
        self.say(
            toned(
                self,
                f"✓ One unit answers at {both_forms(event.address)}, alone and cleanly.",
                "good",
            ).append(
                " Leave the others off the pair. Set its address (p, or w), then move it (m).",
                style="not bold",
            )
        )
        self.post_message(self.JobChanged())

    def _ask_to_put_back(self, address: int, settings: LineSettings) -> None:
        def look(ready: bool | None) -> None:
            if ready:
                self._look_again(address, settings)
            else:
                self._isolated = None

        self.app.push_screen(PutBack(address), look)

    def _look_again(self, address: int, settings: LineSettings) -> None:
        session = self.session

        def work() -> None:
            seen = session.look_again(address, settings)
            if seen.kind is Kind.UNIT:
                session.identify(address, settings)
            self.post_message(LookedAgain(_BACK[seen.kind].format(address=both_forms(address))))

        if self.begin("a close look", work):
            self.say(Text(f"▸ Looking who answers at {both_forms(address)}."), going_on=True)

    @on(LookedAgain)
    def _looked_again(self, event: LookedAgain) -> None:
        self.say(Text(event.words))

"""A clash taken apart: one unit left on the bus, moved, the others connected again one at a
time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rich.text import Text
from textual.message import Message

from busprobe.line.place import Place
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import AddressLook, Occupancy, isolate
from busprobe.readdress.outcome import Outcome
from busprobe.survey.findings import Kind
from busprobe.wizard.common.large_display import Alert, LargeDisplay
from busprobe.wizard.common.signs import toned
from busprobe.wizard.common.step import Step
from busprobe.wizard.readdress.dialogs import reconnect_others
from busprobe.wizard.readdress.move_runner import MoveRunner

_RECONNECTED = {
    Kind.UNIT: "One unit answers at {address}. Move it too: set its address (p, or Enter), then m.",
    Kind.CLASH: (
        "Two or more answer at {address}. Put the cursor there and press i: it guides you until one"
        " is left."
    ),
    Kind.UNSURE: (
        "Who answers at {address} is not clear. Put the cursor there and press i: it guides you"
        " until one is left."
    ),
    Kind.SILENT: (
        "No reply from {address}. Check that the unit has power and is on the bus, then survey"
        " it (3)."
    ),
}
"""What is said of an address after a unit was connected again."""


class ClashIsolation:
    """Guides the technician at the terminals while it watches the place that units share."""

    def __init__(self, step: Step, runner: MoveRunner) -> None:
        self._step = step
        self._runner = runner
        self._isolated: Place | None = None
        """Where units were taken off the bus and have to be connected again."""
        self._left = False
        """Whether the one that stayed has its own address by now, so that the others may come back.
        """

    def run(self, place: Place) -> None:
        """Watch `place` until one unit is left there."""
        session, runner = self._step.session, self._runner

        def work() -> None:
            try:
                session.line.apply(place.settings)
                for look in isolate(session.line, place.address, runner.stop):
                    screen.post_message(IsolationScreen.Seen(look))
                if not runner.stop.is_set():
                    session.look_again(place)
                    session.identify(place)
                    self._step.call_later(self._one_left, place)
            finally:
                screen.post_message(IsolationScreen.Ended())

        screen = IsolationScreen(place.address, runner.stop_work)
        if runner.begin("the watch", work):
            self._step.app.push_screen(screen)

    def moved(self, outcome: Outcome) -> None:
        """Where others had to be taken off first, they may come back once nothing is moved any
        more."""
        self._left = self._left or self._isolated == outcome.move.source

    def work_ended(self) -> None:
        """Now the others are connected again, which must not come between a batch and its
        asking."""
        if self._left and self._isolated is not None:
            self._left = False
            self._ask_to_reconnect(self._isolated)

    def _one_left(self, place: Place) -> None:
        self._isolated = place
        alone = f"✓ One unit answers at {both_forms(place.address)}, alone and cleanly."
        self._runner.say(
            toned(self._step, alone, "good").append(
                " Leave the others off the pair. Set its address (p, or Enter), then move it (m).",
                style="not bold",
            )
        )
        self._step.post_message(Step.JobChanged())

    def _ask_to_reconnect(self, place: Place) -> None:
        def look(ready: bool | None) -> None:
            if ready:
                self._look_again(place)
            else:
                self._isolated = None

        self._step.app.push_screen(reconnect_others(place.address), look)

    def _look_again(self, place: Place) -> None:
        session, address = self._step.session, both_forms(place.address)

        def work() -> None:
            seen = session.look_again(place)
            if seen.kind is Kind.UNIT:
                session.identify(place)
            words = Text(_RECONNECTED[seen.kind].format(address=address))
            self._step.call_later(self._runner.say, words)

        if self._runner.begin("a close look", work):
            self._runner.say(Text(f"▸ Looking who answers at {address}."), going_on=True)


_LARGE: dict[Occupancy, tuple[str, Alert]] = {
    Occupancy.SEVERAL: ("TWO", "gone"),
    Occupancy.ONE: ("ONE", "here"),
    Occupancy.UNCLEAR: ("??", "gone"),
    Occupancy.NONE: ("NONE", "calm"),
}


class IsolationScreen(LargeDisplay):
    """Large: TWO (or more), ONE, or NONE; closes by itself when one unit is left and answers
    cleanly."""

    @dataclass
    class Seen(Message):
        """The address was looked at."""

        look: AddressLook

    class Ended(Message):
        """The watch is over."""

    def __init__(self, address: int, cancel: Callable[[], None]) -> None:
        """Shows the watch of `address`, which `cancel` ends."""
        super().__init__()
        self._address = address
        self._cancel = cancel
        self._unclear = 0
        self._shown: Occupancy | None = None

    def on_mount(self) -> None:
        """Nothing is known yet."""
        super().on_mount()
        self.head(f"ONE AT A TIME  unit address {both_forms(self._address)}")
        self.large("-", str(self._address), "calm")
        self.todo(
            "Take units off the pair until one is left; unplug the pair at the unit, or switch the"
            " unit off."
        )

    def on_isolation_screen_seen(self, event: Seen) -> None:
        """Say how many answer."""
        look = event.look
        self._unclear = self._unclear + 1 if look.occupancy is Occupancy.UNCLEAR else 0
        if self._unclear == 1:
            return  # one odd look is no news: two units that overlap give any bytes
        large, alert = _LARGE[look.occupancy]
        self.large(large, str(self._address), alert)
        self.todo(look.words)
        if look.occupancy is not self._shown:
            self._shown = look.occupancy
            self.happened(look.short_words)

    def on_isolation_screen_ended(self) -> None:
        """One unit is left, or the watch was cancelled."""
        self.end()

    def action_leave(self) -> None:
        """End the watch; the screen closes when the last look is over."""
        self._cancel()

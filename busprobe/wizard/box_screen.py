"""A box of identical units, one by one: connect, confirm, next."""

from __future__ import annotations

from threading import Event as Cancel

from textual.message import Message

from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import Crowd
from busprobe.readdress.one_by_one import (
    Appeared,
    Finished,
    Moved,
    PowerCycleNeeded,
    Refused,
    Step,
    Taken,
    Waiting,
    Watched,
)
from busprobe.wizard.hands_screen import HandsScreen


class BoxScreen(HandsScreen):
    """Large: CONNECT, ONE, TWO, DONE, and the address that is next."""

    class Told(Message):
        """The loop went on."""

        def __init__(self, step: Step) -> None:
            self.step = step
            super().__init__()

    def __init__(self, cancel: Cancel) -> None:
        """Shows the loop that `cancel` ends."""
        super().__init__()
        self._cancel = cancel
        self._who = "-"
        self._finished = False

    def on_mount(self) -> None:
        """Nothing is known yet."""
        super().on_mount()
        self.head("ONE BY ONE  a box of identical units")
        self.large("-", "-", "calm")

    def on_box_screen_told(self, event: Told) -> None:
        """Say what to do now."""
        match event.step:
            case Waiting(target, factory):
                self._who = str(target.address)
                self.large("CONNECT", self._who, "calm")
                place = f" for {target.tag}" if target.tag else ""
                self.todo(
                    f"Connect the next unit{place}. It is expected at {both_forms(factory)} and will get "
                    f"{both_forms(target.address)}."
                )
            case Watched(sight):
                if sight.changed and sight.crowd is not Crowd.NOBODY:
                    several = sight.crowd is not Crowd.ONE
                    self.large("TWO" if several else "ONE", self._who, "gone" if several else "here")
                    self.happened(sight.words)
                    self.todo(sight.words)
            case Appeared(_, known):
                self.happened(f"one unit: {known.words}")
            case Taken(target, error):
                self.happened(f"{target.address} is not free: {error.what}")
            case Refused(_, why, todo):
                self.large("NO", self._who, "gone")
                self.happened(why)
                self.todo(f"{why} {todo} Take this unit off the pair to go on.")
            case PowerCycleNeeded(_, outcome):
                self.large("OFF ON", self._who, "gone")
                self.happened("waits for a power cycle")
                self.todo(outcome.todo)
            case Moved(target, _, label):
                self.large("DONE", str(target.address), "here")
                self.happened(f"unit {target.address} is set. Label: {' / '.join(label.splitlines())}")
                self.todo("Put the label on it. " + label.replace("\n", " / "))
            case Finished(done, why, failed):
                self._finished = True
                self.large("END", str(len(done)), "calm" if failed is None else "gone")
                self.happened(f"{len(done)} units set. {why}", ring=False)
                self.todo(f"{why} {failed.why} {failed.todo}" if failed else f"{why} Esc closes this screen.")

    def action_leave(self) -> None:
        """End the loop, then close."""
        self._cancel.set()
        if self._finished:
            self.end()

"""A box of identical units, one by one: connect, confirm, next."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from busprobe.job.journal import Result
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.isolation import Occupancy
from busprobe.readdress.one_by_one import (
    Appeared,
    BoxEvent,
    BoxFinished,
    BoxRefused,
    Found,
    Lost,
    Moved,
    PowerCycleNeeded,
    Taken,
    TakenBack,
    Waiting,
    Watched,
)
from busprobe.wizard.common.large_display import LargeDisplay


class BoxScreen(LargeDisplay):
    """Large: CONNECT, ONE, TWO, DONE, and the address that is next."""

    @dataclass
    class Told(Message):
        """The loop went on."""

        step: BoxEvent

    class Ended(Message):
        """The loop is over, or was cut off by a failure that is told in front of this screen."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("u", "undo", "Undo the last")]

    def __init__(self, cancel: Callable[[], None], undo: Callable[[], None]) -> None:
        """Shows the loop that `cancel` ends and in which `undo` takes the last unit back."""
        super().__init__()
        self._cancel = cancel
        self._undo = undo
        self._set = 0
        """How many units have their address."""
        self._who = "-"
        self._leaving = False
        """Whether the one unit that is there has to be taken off, or to lose its power, before
        anything goes on."""
        self._finished = False
        self._unclear = 0
        """How many looks in a row were not clear."""
        self._shown: Occupancy | None = None
        """Who was seen at the last clear look."""

    def on_mount(self) -> None:
        """Nothing is known yet."""
        super().on_mount()
        self.head("ONE BY ONE  a box of identical units")
        self.large("-", "-", "calm")

    def on_box_screen_told(self, event: Told) -> None:
        """Say what to do now."""
        match event.step:
            case Waiting(target, factory):
                self._leaving, self._shown = False, None
                self._who = str(target.address)
                self.large("CONNECT", self._who, "calm")
                place = f" for {target.tag}" if target.tag else ""
                self.todo(
                    f"Connect the next unit{place}. It is expected at {both_forms(factory)} and"
                    f" will get {both_forms(target.address)}."
                )
            case Watched(look):
                self._unclear = self._unclear + 1 if look.occupancy is Occupancy.UNCLEAR else 0
                if self._unclear == 1:
                    return  # one odd look is no news: two units that overlap give any bytes
                no_news = (
                    (self._shown, Occupancy.NONE, Occupancy.ONE)
                    if self._leaving
                    else (self._shown, Occupancy.NONE)
                )
                self._shown = look.occupancy
                if look.occupancy not in no_news:
                    several = look.occupancy is not Occupancy.ONE
                    self.large(
                        "TWO" if several else "ONE", self._who, "gone" if several else "here"
                    )
                    self.happened(look.words)
                    self.todo(look.words)
            case Appeared(_, known):
                self.happened(f"one unit: {known.words}")
            case Taken(target, error):
                self.happened(f"{target.address} is not free: {error.what}")
            case BoxRefused(_, why, todo):
                self._leaving = True
                self.large("NO", self._who, "gone")
                self.happened(why)
                self.todo(f"{why} {todo} Take this unit off the pair to go on.")
            case PowerCycleNeeded(_, outcome):
                self._leaving = True
                self.large("OFF ON", self._who, "gone")
                self.happened("waits for a power cycle")
                self.todo(outcome.todo)
            case Lost(target, outcome):
                self._leaving, self._shown = True, None
                self.large("CONNECT", str(target.address), "gone")
                self.happened(f"no reply from the unit for {target.address} since its write")
                self.todo(
                    "Connect the same unit again, and no other. It is looked for at"
                    f" {both_forms(outcome.move.source.address)} and at"
                    f" {both_forms(target.address)}."
                )
            case Found(target, outcome):
                self.happened(f"the unit for {target.address} answers: {outcome.word}")
                self.todo(f"{outcome.why} {outcome.todo}")
            case Moved(target, _, label):
                self._set += 1
                self.large("DONE", str(target.address), "here")
                self.happened(
                    f"unit {target.address} is set. Label: {' / '.join(label.splitlines())}"
                )
                self.todo(
                    "Put the label on it; it may stay on the pair. " + label.replace("\n", " / ")
                )
            case TakenBack(target, outcome):
                if outcome.result is Result.VERIFIED:
                    self._set -= 1
                    self._leaving = True
                    self.large("UNDONE", str(outcome.move.target.address), "calm")
                    self.todo(
                        "It is at its factory address again. Take it off the pair;"
                        f" {target.address} is next."
                    )
                else:
                    self.large("NO", str(target.address), "gone")
                    self.todo(f"The undo was not made. {outcome.why} {outcome.todo}")
                why = "" if outcome.result is Result.VERIFIED else f". {outcome.why}"
                self.happened(f"undo of unit {target.address}: {outcome.word}{why}")
            case BoxFinished(done, why, failed):
                self._finished = True
                self.large("END", str(len(done)), "calm" if failed is None else "gone")
                self.happened(f"{len(done)} units set. {why}", ring=False)
                self.todo(
                    f"{why} {failed.why} {failed.todo}"
                    if failed
                    else f"{why} Esc closes this screen."
                )

    def on_box_screen_ended(self) -> None:
        """Where the loop was cut off, its last event will not come."""
        if not self._finished:
            self._finished = True
            self.large("END", str(self._set), "gone")
            self.happened(f"{self._set} units set. The loop was cut off.")
            self.todo(
                "Nothing is watched any more. Esc closes this screen; v in the step tells what is"
                " true."
            )

    def action_undo(self) -> None:
        """Have the unit that was set last taken back to the factory address, as soon as the loop
        waits for one."""
        if self._finished or not self._set:
            self.todo(
                "There is nothing to undo here; the journal of the step (j) undoes any write."
            )
            return
        self.todo("The undo begins as soon as the look that is under way is over.")
        self._undo()

    def action_leave(self) -> None:
        """End the loop, then close."""
        self._cancel()
        if self._finished:
            self.end()

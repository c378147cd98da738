"""A box of identical units, one by one: connect, confirm, next."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import ClassVar

from textual.binding import BindingType
from textual.message import Message

from busprobe.job.journal import Result
from busprobe.line.clock import Clock
from busprobe.modbus.addresses import both_forms
from busprobe.readdress.box_progress import Phase, Working
from busprobe.readdress.isolation import Occupancy
from busprobe.readdress.one_by_one import (
    Appeared,
    BoxEvent,
    BoxFinished,
    BoxRefused,
    FoundAgain,
    Lost,
    Moved,
    PowerCycleNeeded,
    Taken,
    TakenBack,
    Waiting,
    Watched,
)
from busprobe.wizard.common.actions import Action
from busprobe.wizard.common.large_display import LargeDisplay
from busprobe.wizard.common.verbs import Verb
from busprobe.wizard.readdress.words import progress_words

_CHECKS: Mapping[Phase, tuple[str, str]] = {
    Phase.IDENTIFY: ("CHECK", "Leave it as it is: it is asked what it is."),
    Phase.GUARDS: (
        "CHECK",
        "Leave it as it is: the bus is listened to, then checked that this unit answers alone.",
    ),
    Phase.AGAIN: (
        "CHECK",
        "Leave it as it is: both addresses are asked once more, right before the write.",
    ),
    Phase.WRITE: (
        "WRITE",
        "Do not touch it: its address is written, then both addresses are asked.",
    ),
}
"""The large word while a phase goes on, and what it is; `Phase.FREE` goes on while hands are at
work, who are told more useful things."""

_TICK = 0.5
"""Seconds between two looks at the clock."""


class BoxScreen(LargeDisplay):
    """Large: CONNECT, ONE, TWO, CHECK, WRITE, DONE, and the address that is next; above it the
    phase with its seconds, and how far the box is."""

    @dataclass
    class Told(Message):
        """The loop went on."""

        step: BoxEvent

    @dataclass
    class Worked(Message):
        """A phase has begun; None where hands or an answer are waited for."""

        on: Working | None

    class Ended(Message):
        """The loop is over, or was cut off by a failure that is told in front of this screen."""

    BINDINGS: ClassVar[list[BindingType]] = [Action(Verb.UNDO, "undo", "undo the last one").binding]

    def __init__(self, clock: Clock, cancel: Callable[[], None], undo: Callable[[], None]) -> None:
        """Shows the loop that `cancel` ends and in which `undo` takes the last unit back; phases
        are timed by `clock`."""
        super().__init__()
        self._clock = clock
        self._cancel = cancel
        self._undo = undo
        self._set = 0
        """How many units have their address."""
        self._who = "-"
        self._leaving = False
        """Whether the one unit that is there has to be taken off, or to lose its power, before
        anything goes on."""
        self._finished = False
        self._last: Working | None = None
        """The phase that was told last."""
        self._checking = False
        """Whether it still goes on."""
        self._label = ""
        """What was said of the last unit, until the next one is waited for."""
        self._unclear = 0
        """How many looks in a row were not clear."""
        self._shown: Occupancy | None = None
        """Who was seen at the last clear look."""

    def on_mount(self) -> None:
        """Nothing is known yet."""
        super().on_mount()
        self.large("-", "-", "calm")
        self._show_progress()
        self.set_interval(_TICK, self._show_progress)

    def on_box_screen_worked(self, event: Worked) -> None:
        """Say what is being done, and for how long."""
        self._checking = event.on is not None
        self._last = event.on or self._last
        if event.on is not None and event.on.phase in _CHECKS:
            word, todo = _CHECKS[event.on.phase]
            self.large(word, str(event.on.address), "calm")
            self.todo(todo)
            self._shown = None  # the next look is news again
        self._show_progress()

    def _show_progress(self) -> None:
        """Bring the seconds up to date."""
        if self._finished or self._last is None:
            self.head("ONE BY ONE  a box of identical units")
            return
        self.head(f"ONE BY ONE  {progress_words(self._last, self._set, self._seconds())}")

    def _seconds(self) -> float | None:
        """Until the phase is over; None where none goes on."""
        on = self._last
        return on.until - self._clock.now() if on is not None and self._checking else None

    def on_box_screen_told(self, event: Told) -> None:
        """Say what to do now."""
        match event.step:
            case Waiting(target, factory):
                self._leaving, self._shown = False, None
                self._who = str(target.address)
                if not self._label:
                    self.large("CONNECT", self._who, "calm")
                place = f" for {target.tag}" if target.tag else ""
                self.todo(
                    f"{self._label}Connect the next unit{place}. It is expected at"
                    f" {both_forms(factory)} and will get {both_forms(target.address)}."
                )
            case Watched(look):
                if self._label and look.occupancy is Occupancy.NONE:
                    self.large("CONNECT", self._who, "calm")
                self._label = ""
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
                self.happened(f"one unit: {known.words or 'it says nothing of itself'}")
            case Taken(target, error):
                self.happened(f"{target.address} is not free: {error.what}")
            case BoxRefused(_, why, todo):
                self._leaving = True
                self.large("NO", self._who, "gone")
                self.happened(why)
                self.todo(f"{why} {todo} Take this unit off the bus to go on.")
            case PowerCycleNeeded(_, outcome):
                self._leaving = True
                self.large("OFF ON", self._who, "gone")
                self.happened("waits for a power cycle")
                self.todo(outcome.todo)
            case Lost(target, outcome):
                self._leaving, self._shown = True, None
                self.large("LOST", str(target.address), "gone")
                self.happened(f"no reply from the unit for {target.address} since its write")
                source = both_forms(outcome.move.source.address)
                self.todo(
                    "Connect the same unit again, and no other: at"
                    f" {both_forms(target.address)} it is seen. If it answers at {source} again:"
                    " Esc, then v in the step."
                )
            case FoundAgain(target, outcome):
                self.happened(f"the unit for {target.address} answers: {outcome.word}")
                self.todo(f"{outcome.why} {outcome.todo}")
            case Moved(target, _, label):
                self._set += 1
                words = " / ".join(label.splitlines())
                self.large("DONE", str(target.address), "here")
                self.happened(f"unit {target.address} is set. Label: {words}")
                self._label = f"Label it: {words}. It may stay on the bus. "
                self.todo(self._label)
            case TakenBack(target, outcome):
                if outcome.result is Result.VERIFIED:
                    self._set -= 1
                    self._leaving = True
                    self.large("UNDONE", str(outcome.move.target.address), "calm")
                    self.todo(
                        "It is at its factory address again. Take it off the bus;"
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

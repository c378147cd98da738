"""The hunt on the whole screen: who answers now, and the moment that changes."""

from __future__ import annotations

from collections.abc import Sequence
from threading import Event as Cancel

from textual.message import Message

from busprobe.modbus.addresses import format_addresses
from busprobe.wiring.hunt import Appeared, Event, Round, Vanished
from busprobe.wizard.hands_screen import HandsScreen


class HuntScreen(HandsScreen):
    """Large: HERE, GONE or NONE, and the addresses that answer."""

    class Hunted(Message):
        """Somebody was asked."""

        def __init__(self, events: tuple[Event, ...]) -> None:
            self.events = events
            super().__init__()

    def __init__(self, addresses: Sequence[int], cancel: Cancel) -> None:
        """Shows the hunt for `addresses` that `cancel` ends."""
        super().__init__()
        self._addresses = tuple(addresses)
        self._cancel = cancel
        self._present: set[int] = set()

    def on_mount(self) -> None:
        """Nobody has answered yet."""
        super().on_mount()
        self.head(f"HUNT  asking {format_addresses(self._addresses)}")
        self.large("NONE", "-", "calm")
        self.todo("Nobody has answered yet. Touch one terminal at a time; the screen changes when somebody does.")

    def on_hunt_screen_hunted(self, event: Hunted) -> None:
        """Show changes the moment they are known."""
        rounds = None
        for one in event.events:
            match one:
                case Appeared():
                    self._present.add(one.address)
                    self.large("HERE", self._who, "here")
                    self.happened(f"unit {one.address} answers")
                    self.todo(f"Unit {one.address} answers now.")
                case Vanished():
                    self._present.discard(one.address)
                    self.large("GONE", self._who, "gone")
                    self.happened(f"unit {one.address} answers no more")
                    self.todo(f"Unit {one.address} answers no more. What you touched last may be the place.")
                case Round():
                    rounds = one
        if rounds is not None:
            self._show_round(rounds)

    def action_leave(self) -> None:
        """End the hunt."""
        self._cancel.set()
        self.end()

    @property
    def _who(self) -> str:
        return format_addresses(self._present) or "-"

    def _show_round(self, done: Round) -> None:
        parts = [f"HUNT  asking {format_addresses(self._addresses)}", f"round {done.number}, {done.seconds:.1f} s"]
        if done.lost:
            parts.append(f"loses replies: {format_addresses(done.lost)}")
        if done.garbled:
            parts.append(f"bytes but no frame: {format_addresses(done.garbled)}")
        self.head("   ".join(parts))
